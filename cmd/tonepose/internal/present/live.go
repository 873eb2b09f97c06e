package present

import (
	"encoding/json"
	"fmt"
	"io"
	"math"
	"strings"

	"tonepose/cmd/tonepose/internal/live"
	"tonepose/cmd/tonepose/internal/stream"
	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/cmd/tonepose/internal/verdict"
)

// appendQuoted appends a JSON string of any text.
func appendQuoted(b []byte, s string) []byte {
	text, err := json.Marshal(s)
	if err != nil {
		panic(err) // texts always have JSON
	}
	return append(b, tables.EscapeControls(text)...)
}

// Followed is what following a stream gave, in the form of its JSON.
type Followed struct {
	Source      string             `json:"source"`
	Interrupted bool               `json:"interrupted"`
	Frames      int                `json:"frames"`
	Poses       int                `json:"poses"`
	Unsolved    int                `json:"unsolved"`
	Flagged     int                `json:"flagged"`
	Flags       []Flagged          `json:"flags"` // of the poses
	Skipped     int                `json:"skipped_windows"`
	Waited      int                `json:"waited_windows"` // for the capture of the clock: their latencies are not counted
	Latency     FollowedLatency    `json:"latency"`
	Lost        []stream.Gap       `json:"lost"`
	Averaging   *stream.Averaging  `json:"averaging,omitempty"`
	Faults      []string           `json:"faults"`
	Out         string             `json:"out,omitempty"`
	Parts       int                `json:"parts"`
	Continued   int                `json:"earlier_parts"`
	Record      string             `json:"record,omitempty"`
	Verdicts    []*verdict.Summary `json:"integrity"`

	counts *verdict.Counts
	pair   bool
}

// FollowedLatency is from the arrival of a window's last sample to its rows.
type FollowedLatency struct {
	Median    float64    `json:"median_s"`
	P99       float64    `json:"p99_s"`
	Largest   float64    `json:"largest_s"`
	Histogram []live.Bar `json:"histogram"`
}

// FollowedOf gathers it.
func FollowedOf(r *live.Result, out, record string) Followed {
	f := Followed{Source: r.Info.Name, Interrupted: r.Interrupted, Frames: r.Counts.Frames, Poses: r.Counts.Solved, Unsolved: r.Counts.Unsolved,
		Flagged: r.Counts.Flags.Flagged, Flags: FlagsOf(&r.Counts.Flags), counts: &r.Counts.Flags, Skipped: r.Counts.Skipped, Waited: r.Counts.Waited, Lost: r.Lost, Averaging: r.Averaging,
		Out: out, Parts: r.Parts, Continued: r.Continued, Record: record, Verdicts: r.Verdicts,
		Latency: FollowedLatency{r.Latency.Quantile(0.5), r.Latency.Quantile(0.99), r.Latency.Largest, r.Latency.Histogram()}}
	f.pair = r.Rig == nil
	if r.Survey != nil {
		f.Faults = r.Survey.Faults()
	}
	return f
}

// Print prints it in words.
func (f *Followed) Print(w io.Writer) error {
	p := newPage(w)
	end := ""
	if f.Interrupted {
		end = ", interrupted"
	}
	what := "poses"
	if f.pair {
		what = "phases"
	}
	p.line("%s: %d windows, %d %s%s", f.Source, f.Frames, f.Poses, what, end)
	if f.Out != "" {
		earlier := ""
		if f.Continued > 0 {
			earlier = fmt.Sprintf(" after %d earlier ones", f.Continued)
		}
		s := "s"
		if f.Parts == 1 {
			s = ""
		}
		p.line("%d part%s in %s%s", f.Parts, s, f.Out, earlier)
	}
	if f.Record != "" {
		p.line("samples in %s", f.Record)
	}
	p.line("windows skipped: %d", f.Skipped)
	for _, g := range f.Lost {
		p.line("lost before sample %d: %s", g.At, g.Why)
	}
	if l := &f.Latency; len(l.Histogram) > 0 {
		waited := ""
		if f.Waited > 0 {
			waited = fmt.Sprintf(", without the first %d windows, which waited for the clock", f.Waited)
		}
		p.line("latency: median %s, 99 %% %s, largest %s%s", Quantity(l.Median, "s"), Quantity(l.P99, "s"), Quantity(l.Largest, "s"), waited)
		f.histogram(p)
	}
	if f.Averaging != nil {
		p.averaging(f.Averaging)
	}
	p.flags(f.counts, "poses")
	return p.err
}

// histogram draws the latencies.
func (f *Followed) histogram(p *page) {
	const cells = 40
	most := 0
	for _, b := range f.Latency.Histogram {
		most = max(most, b.N)
	}
	for _, b := range f.Latency.Histogram {
		bar := strings.Repeat("█", int(math.Ceil(cells*float64(b.N)/float64(most))))
		p.line("  up to %-8s %7d  %s", Quantity(b.Up, "s"), b.N, bar)
	}
}

// Now is the newest pose of a stream and how it goes, on one line.
func Now(s *live.State) string {
	var b strings.Builder
	for i := range s.Poses {
		row := &s.Poses[i]
		if i > 0 {
			b.WriteString("  ")
		}
		b.WriteString(row.Sensor + " " + place(row))
		if row.Flags != 0 {
			b.WriteString(" [" + row.Flags.String() + "]")
		}
	}
	latency := "–"
	if len(s.Poses) > 0 && s.Poses[0].Live != nil && tables.IsNumber(s.Poses[0].Live.Latency) {
		latency = Quantity(s.Poses[0].Live.Latency, "s")
	}
	for i := range s.Demodulated {
		d := &s.Demodulated[i]
		b.WriteString(fmt.Sprintf("%s %s, %s°", d.Signal, Estimate(d.Amplitude, d.Sigma, "V"), PlusMinus(d.Phase, d.SigmaPhase)))
	}
	at := ""
	if len(s.Demodulated) > 0 {
		at = fmt.Sprintf("%.1f s  ", s.Demodulated[0].Time)
	}
	if len(s.Poses) > 0 {
		at = fmt.Sprintf("%.1f s  ", s.Poses[0].Time)
	}
	return fmt.Sprintf("%s%s  latency %s  skipped %d", at, b.String(), latency, s.Skipped)
}

func place(row *tables.Pose) string {
	if row.Estimate == nil {
		return "no pose"
	}
	at := row.Estimate.Position
	text := fmt.Sprintf("(%.2f %.2f %.2f) mm", 1e3*at.X, 1e3*at.Y, 1e3*at.Z)
	if c := row.Covariance; c != nil {
		text += " ± " + Quantity(math.Sqrt(c.At(0, 0)+c.At(1, 1)+c.At(2, 2)), "m")
	}
	return text
}
