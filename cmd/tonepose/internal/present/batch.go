package present

import (
	"encoding/csv"
	"fmt"
	"io"
	"maps"
	"math"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"tonepose/cmd/tonepose/internal/assess"
	"tonepose/cmd/tonepose/internal/batch"
	"tonepose/cmd/tonepose/internal/tables"
)

// Batched is what solving many recordings came to, in the form of its JSON.
type Batched struct {
	Recordings int              `json:"recordings"`
	Solved     int              `json:"solved"`
	Assessed   int              `json:"assessed_again"` // tables that were there, against another truth
	Before     int              `json:"finished_before"`
	Failed     []BatchedFailure `json:"failed"`
	Poseless   []BatchedFailure `json:"without_pose"` // whose tables are kept
	ElapsedS   float64          `json:"elapsed_s"`
	Out        string           `json:"out"`
}

// BatchedFailure is a recording that could not be solved.
type BatchedFailure struct {
	Recording string `json:"recording"`
	File      string `json:"file"`
	Error     string `json:"error"`
}

// BatchedOf gathers it.
func BatchedOf(r *batch.Result, out string, elapsed time.Duration) Batched {
	b := Batched{Recordings: r.Recordings, Solved: r.Solved, Assessed: r.Assessed, Before: r.Finished, ElapsedS: elapsed.Seconds(), Out: out}
	for _, f := range r.Failed {
		b.Failed = append(b.Failed, BatchedFailure{f.Recording, f.File, f.Error})
	}
	for _, f := range r.Poseless {
		b.Poseless = append(b.Poseless, BatchedFailure{f.Recording, f.File, f.NoPose})
	}
	return b
}

// Print prints it in words.
func (b Batched) Print(w io.Writer) error {
	p := newPage(w)
	again := ""
	if b.Assessed > 0 {
		again = fmt.Sprintf("%d assessed again, ", b.Assessed)
	}
	p.line("%d recordings in %s: %d solved in %.3g s, %s%d finished before, %d failed%s", b.Recordings, b.Out, b.Solved, b.ElapsedS, again, b.Before, len(b.Failed), withoutPose(len(b.Poseless)))
	return p.err
}

// withoutPose continues a line by how many recordings have no pose.
func withoutPose(n int) string {
	if n == 0 {
		return ""
	}
	return fmt.Sprintf(", %d without a pose", n)
}

// Campaign is what the recordings of a data set came to, in the form of its JSON.
type Campaign struct {
	Dir        string           `json:"data_set"`
	Recordings int              `json:"recordings"`
	Failed     int              `json:"failed"`
	Poseless   int              `json:"without_pose"`
	Assessed   int              `json:"assessed"`       // against a truth
	Stale      int              `json:"stale"`          // no longer what is told of them
	Missing    []string         `json:"shards_missing"` // that have not ended
	Unlisted   []string         `json:"unlisted"`       // that the list which was run last does not have
	Cost       batch.Cost       `json:"cost"`
	Worst      []*batch.Outcome `json:"worst_first"`

	labels []string
}

// CampaignOf gathers it.
func CampaignOf(s *batch.Summary) Campaign {
	return Campaign{Dir: s.Dir, Recordings: len(s.Recordings), Failed: s.Failed, Poseless: s.Poseless, Assessed: s.Assessed, Stale: s.Stale, Missing: s.Missing, Unlisted: s.Unlisted, Cost: s.Cost, Worst: s.Recordings, labels: s.Labels}
}

// mostWorst is how many recordings are printed in words.
const mostWorst = 20

// Print prints it in words: the worst recordings.
func (c Campaign) Print(w io.Writer) error {
	p := newPage(w)
	p.line("%s: %d recordings of %s in all, %d failed%s", c.Dir, c.Recordings, time.Duration(c.Cost.DurationS*float64(time.Second)).Round(time.Millisecond), c.Failed, withoutPose(c.Poseless))
	if c.Cost.BytesIn > 0 {
		p.line("%s solved a minute and job, %s bytes of tables a byte of samples", Number(60*float64(c.Recordings-c.Failed)/c.Cost.ElapsedS, 3), Number(float64(c.Cost.BytesOut)/float64(c.Cost.BytesIn), 3))
	}
	for _, words := range c.Notes() {
		p.line("%s", words)
	}
	p.heading("worst first")
	columns := []column{text("recording"), number("rows", ""), number("flagged", "%"), number("in doubt", "%"), number("σ", "mm"), number("estimated", "mm"),
		number("worst", "mm"), number("noise", "µV"), number("clock", "ppm")}
	if c.Assessed > 0 {
		columns = append(columns, number("true error", "mm"), number("turned", "mrad"), number("e²/σ²", ""), number("covered", "%"))
	}
	table := tableOf(append(columns, text("because"))...)
	for _, o := range c.Worst[:min(len(c.Worst), mostWorst)] {
		q := o.Quality
		if q == nil {
			row := append([]string{o.Recording}, slices.Repeat([]string{"–"}, len(columns)-1)...)
			table.Row(append(row, "failed: "+o.Error)...)
			continue
		}
		share := func(n int) string { return Number(100*float64(n)/float64(max(q.Rows, 1)), 3) }
		row := []string{o.Recording, strconv.Itoa(q.Rows), share(q.Flagged), share(q.InDoubt), mm(q.SigmaM), mm(q.EstimatedM), mm(q.WorstEstimatedM),
			Number(q.NoiseV*1e6, 3), fixed(q.ClockPPM, 3)}
		if c.Assessed > 0 {
			row = append(row, againstTruth(q.Accuracy)...)
		}
		table.Row(append(row, Because(o))...)
	}
	p.table(table)
	if more := len(c.Worst) - mostWorst; more > 0 {
		p.line("and %d better ones", more)
	}
	if words := OwnReport(c.Dir, c.Worst); words != "" {
		p.line("%s", words)
	}
	return p.err
}

// Notes say of what the recordings are not, or not yet, all that there is.
func (c Campaign) Notes() (lines []string) {
	if len(c.Missing) > 0 {
		lines = append(lines, "shards that have not ended: "+Several(c.Missing))
	}
	if len(c.Unlisted) > 0 {
		lines = append(lines, "not in the list that was run last, and still in the data set: "+Several(c.Unlisted))
	}
	return lines
}

// Several names a few of many.
func Several(names []string) string {
	const most = 20
	if more := len(names) - most; more > 0 {
		return fmt.Sprintf("%s and %d more", strings.Join(names[:most], ", "), more)
	}
	return strings.Join(names, ", ")
}

// OwnReport says how the worst recording of a data set that has tables gets a report of its own;
// empty: none has.
func OwnReport(dir string, worst []*batch.Outcome) string {
	for _, o := range worst {
		if o.Error == "" {
			tables := filepath.Join(dir, (&tables.Partition{Recording: o.Recording}).Dir(tables.PosesName))
			return fmt.Sprintf("a report about one alone: tonepose report %s --out worst.html", Quoted(tables))
		}
	}
	return ""
}

// againstTruth are the cells of errors against a truth; a dash where they are not known.
func againstTruth(a *assess.Accuracy) []string {
	row := []string{"–", "–", "–", "–"}
	if a == nil {
		return row
	}
	row[0] = mm(a.PositionRMS)
	if a.OrientationRMS > 0 {
		row[1] = Number(a.OrientationRMS*1e3, 3)
	}
	if a.WithCovariance > 0 {
		row[2], row[3] = Number(a.NormalisedMean, 3), Number(100*a.Coverage95, 3)
	}
	return row
}

// Because is why a recording is not to be relied on, else its most frequent flag, else what was found.
func Because(o *batch.Outcome) string {
	if o.Stale != "" {
		return o.Stale + ": run the batch again"
	}
	most, rows, q := "", 0, o.Quality
	for _, name := range slices.Sorted(maps.Keys(q.Flags)) {
		if q.Flags[name] > rows {
			most, rows = name, q.Flags[name]
		}
	}
	switch {
	case rows > 0:
		return fmt.Sprintf("%s in %d", most, rows)
	case len(q.Findings) > 0:
		return q.Findings[0]
	case len(q.Faults) > 0:
		return q.Faults[0]
	}
	return ""
}

// campaignColumns are those of the CSV behind the labels.
var campaignColumns = []string{"outcome", "start", "duration_s", "rows", "unsolved", "flagged", "in_doubt", "flags", "sigma_position_median_m", "sigma_position_95_m",
	"estimated_error_median_m", "estimated_error_worst_m", "sigma_rotation_median_rad", "chi2_per_dof_median", "compared", "position_rms_m", "position_max_m",
	"orientation_rms_rad", "normalised_mean", "coverage_95", "noise_median_v", "noisiest_channel",
	"noisiest_channel_v", "clock_ppm", "clock_range_ppm", "mains_hz", "faults", "findings", "error", "elapsed_s", "bytes_in", "bytes_out"}

// labelColumn is the column of a label in the CSV: of the same name, unless another one has it.
func (c Campaign) labelColumn(label string) string {
	taken := func(name string) func(string) bool {
		return func(other string) bool { return strings.EqualFold(other, name) }
	}
	name := label
	for slices.ContainsFunc(campaignColumns, taken(name)) || name != label && slices.ContainsFunc(c.labels, taken(name)) {
		name = "label_" + name
	}
	return name
}

// CSV writes a row a recording, worst first.
func (c Campaign) CSV(w io.Writer) error {
	out := csv.NewWriter(w)
	head := []string{"recording"}
	for _, label := range c.labels {
		head = append(head, c.labelColumn(label))
	}
	out.Write(append(head, campaignColumns...))
	number := func(v float64) string { return strconv.FormatFloat(v, 'g', -1, 64) }
	for _, o := range c.Worst {
		row := []string{tables.Cell(o.Recording)}
		for _, l := range c.labels {
			row = append(row, tables.Cell(o.Labels[l]))
		}
		q := o.Quality
		if q == nil {
			row = append(append(row, "failed"), make([]string, 27)...)
			out.Write(append(row, tables.Cell(o.Error), "", "", ""))
			continue
		}
		start := ""
		if !q.Start.IsZero() {
			start = q.Start.UTC().Format(time.RFC3339Nano)
		}
		var flags []string
		for _, name := range slices.Sorted(maps.Keys(q.Flags)) {
			flags = append(flags, fmt.Sprintf("%s %d", name, q.Flags[name]))
		}
		outcome := "solved"
		if o.NoPose != "" {
			outcome = "no pose"
		}
		row = append(row, outcome, start, number(q.DurationS), strconv.Itoa(q.Rows), strconv.Itoa(q.Unsolved), strconv.Itoa(q.Flagged), strconv.Itoa(q.InDoubt), strings.Join(flags, ";"))
		for _, v := range []float64{q.SigmaM, q.Sigma95M, q.EstimatedM, q.WorstEstimatedM, q.SigmaRad, q.Chi2PerDOF} {
			row = append(row, positive(v))
		}
		findings := q.Findings
		if o.Stale != "" {
			findings = append([]string{o.Stale}, findings...)
		}
		known := make([]string, 6)
		if a := q.Accuracy; a != nil {
			known = []string{strconv.Itoa(a.N), number(a.PositionRMS), number(a.PositionMax), positive(a.OrientationRMS), "", ""}
			if a.WithCovariance > 0 {
				known[4], known[5] = number(a.NormalisedMean), number(a.Coverage95)
			}
		}
		row = append(append(row, known...), positive(q.NoiseV))
		row = append(row, tables.Cell(q.NoisyChannel), positive(q.NoisyChannelV), number(q.ClockPPM), number(q.ClockRangePPM), positive(q.MainsHz),
			tables.Cell(strings.Join(q.Faults, "; ")), tables.Cell(strings.Join(findings, "; ")), "", number(o.ElapsedS), strconv.FormatInt(o.BytesIn, 10), strconv.FormatInt(o.BytesOut, 10))
		out.Write(row)
	}
	out.Flush()
	return out.Error()
}

// positive is a number, an empty field for the 0 of none.
func positive(v float64) string {
	if !(v > 0) || math.IsInf(v, 0) {
		return ""
	}
	return strconv.FormatFloat(v, 'g', -1, 64)
}
