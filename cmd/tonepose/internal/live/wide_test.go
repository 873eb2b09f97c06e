package live_test

import (
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/live"
	"tonepose/cmd/tonepose/internal/present"
	"tonepose/cmd/tonepose/internal/simulate"
	"tonepose/cmd/tonepose/internal/source"
	"tonepose/cmd/tonepose/internal/stream"
	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/fieldmodels/rigid"
)

// The wide bench has 16 channels at 200 kS/s: 16 emitters on two circles, driven in fours
// over four channels, and two probes of six coils. Its tones turn whole times in two
// seconds, and so do its probes: what it records of them can be played over and over.
// Invented data.
type wide struct {
	rig, recording string // files
	samples        []byte
	frame          int64 // bytes of a sample of all channels
}

const (
	wideRate = 200000
	wideHop  = 5e-3 // of windows of 10 ms
)

func newWide(tb testing.TB, seconds int) *wide {
	tb.Helper()
	dir := tb.TempDir()
	save := func(name, text string) string {
		name = filepath.Join(dir, name)
		if err := os.WriteFile(name, []byte(text), 0o644); err != nil {
			tb.Fatal(err)
		}
		return name
	}
	w := &wide{rig: save("wide.rig.yaml", wideRig()), recording: filepath.Join(dir, "wide.sigmf-meta"), frame: 2 * 16}
	path := save("path.csv", widePath(seconds))
	how := simulate.Options{DurationS: float64(seconds), Bits: 16, Noise: 5e-9, FlickerHz: 300, MainsHz: 50, MainsV: 10e-6, Seed: 1}
	if _, err := simulate.Run(tb.Context(), w.rig, path, filepath.Join(dir, "wide"), how, nil); err != nil {
		tb.Fatal(err)
	}
	var err error
	if w.samples, err = os.ReadFile(filepath.Join(dir, "wide.sigmf-data")); err != nil {
		tb.Fatal(err)
	}
	return w
}

func wideRig() string {
	var text strings.Builder
	fmt.Fprintf(&text, "name: wide\nsample_rate_hz: %d\nworking_volume: {min_m: [-0.2, -0.2, 0.05], max_m: [0.2, 0.2, 0.35]}\nchannels:\n", wideRate)
	for i := range 12 {
		fmt.Fprintf(&text, "- {name: rx%d, full_scale_v: 2.5, gain: 100, delay_s: 1.5e-6}\n", i+1)
	}
	for i := range 4 {
		fmt.Fprintf(&text, "- {name: drive%d, full_scale_v: 2.5, gain: 1, delay_s: 0}\n", i+1)
	}
	text.WriteString("emitters:\n")
	for i := range 16 {
		angle, radius := 2*math.Pi*float64(i)/16, 0.12+0.08*float64(i%2)
		fmt.Fprintf(&text, "- {name: e%d, tone_hz: %g, current_a_peak: 0.25, reference: {channel: drive%d, transimpedance_ohm: 0.5}, model: {type: loop, center_m: [%.4f, %.4f, 0], axis: [%.3f, %.3f, 1], radius_m: 0.035, turns: 40}}\n",
			i+1, 5000+1200*float64(i)+float64(i*i*37%801)/2, i/4+1, radius*math.Cos(angle), radius*math.Sin(angle), 0.3*math.Sin(3*angle), 0.3*math.Cos(2*angle))
	}
	text.WriteString("sensors:\n")
	for s := range 2 {
		fmt.Fprintf(&text, "- name: probe%d\n  coils:\n", s+1)
		for c := range 6 {
			axis := [3]float64{}
			axis[c%3] = 1
			fmt.Fprintf(&text, "  - {channel: rx%d, center_m: [%g, %g, %g], axis: [%g, %g, %g], area_turns_m2: 0.004, radius_m: 0.004}\n",
				6*s+c+1, 0.004*float64(c-2), 0.003*float64(c%2), 0.005*float64(c/3), axis[0], axis[1], axis[2])
		}
	}
	return text.String()
}

// widePath closes every two seconds.
func widePath(seconds int) string {
	var text strings.Builder
	text.WriteString("time_s,sensor,x_m,y_m,z_m,qw,qx,qy,qz\n")
	const step = 0.01
	for i := range int(float64(seconds)/step) + 2 {
		for s := range 2 {
			turn := 2*math.Pi*float64(i)*step/2 + 3*float64(s)
			q := rigid.Exp(r3.Vec{X: 0.3 * math.Sin(turn), Y: 0.3 * math.Cos(turn), Z: 1 + 0.2*math.Sin(2*turn)})
			fmt.Fprintf(&text, "%.2f,probe%d,%.9f,%.9f,%.9f,%.12f,%.12f,%.12f,%.12f\n", float64(i)*step, s+1, 0.06*math.Cos(turn), 0.06*math.Sin(turn), 0.18+0.02*math.Sin(2*turn), q.Real, q.Imag, q.Jmag, q.Kmag)
		}
	}
	return text.String()
}

// options follow the wide bench as the command does: rows of JSON, and parts.
func (w *wide) options(tb testing.TB, to io.Writer) live.Options {
	o := live.Options{Source: source.Options{Pace: math.Inf(1)}, Tables: []string{tables.PosesName, tables.IntegrityName}, Rows: present.LinesJSON, Stdout: to}
	o.Rig, o.Out = w.rig, tb.TempDir()
	o.Windows = stream.Windows{Length: 10e-3, Hop: wideHop}
	return o
}

// through has samples come through standard input, over and over for some time [s].
func (w *wide) through(o *live.Options, seconds float64) {
	o.Recording = "-"
	o.Reading.Stdin, o.Reading.Format = &endless{bytes: w.samples, left: int64(math.Round(seconds*wideRate)) * w.frame}, "ri16_le"
}

// endless reads bytes again and again, so many in all.
type endless struct {
	bytes []byte
	at    int
	left  int64
}

func (e *endless) Read(b []byte) (int, error) {
	if e.left == 0 {
		return 0, io.EOF
	}
	n := copy(b[:min(int64(len(b)), e.left)], e.bytes[e.at:])
	e.at, e.left = (e.at+n)%len(e.bytes), e.left-int64(n)
	return n, nil
}

// paced hands bytes out as they would be made, a millisecond of them at a time.
type paced struct {
	endless
	rate  float64 // bytes a second
	began time.Time
	sent  int64
}

func (p *paced) Read(b []byte) (int, error) {
	if p.began.IsZero() {
		p.began = time.Now()
	}
	n := min(len(b), int(p.rate*1e-3))
	due := p.began.Add(time.Duration(float64(p.sent+int64(n)) / p.rate * float64(time.Second)))
	time.Sleep(time.Until(due))
	n, err := p.endless.Read(b[:n])
	p.sent += int64(n)
	return n, err
}

// allocations counts what is allocated between two frames, as rows are written.
type allocations struct {
	from, to, frame int
	before, after   runtime.MemStats
}

func (a *allocations) Write(b []byte) (int, error) {
	switch a.frame++; a.frame { // the first is the head
	case a.from:
		runtime.ReadMemStats(&a.before)
	case a.to:
		runtime.ReadMemStats(&a.after)
	}
	return len(b), nil
}

func (a *allocations) perFrame() float64 {
	return float64(a.after.Mallocs-a.before.Mallocs) / float64(a.to-a.from)
}

// BenchmarkLive follows the wide bench from samples to rows and parts: 16 channels of 200
// kS/s, 16 tones, 10 ms windows every 5 ms, two sensors. Through a pipe that waits it tells
// how many seconds of the stream one second takes, and what is allocated from the fifth
// second on; at its own pace, the latency from the arrival of a window's last sample to
// its rows. Of the first seconds, in which lines are found again and again, some windows
// are later.
func BenchmarkLive(b *testing.B) {
	w := newWide(b, 4)
	b.Run("pipe", func(b *testing.B) {
		const seconds = 15
		for b.Loop() {
			a := allocations{from: 5 / wideHop, to: seconds/wideHop - 10}
			o := w.options(b, &a)
			w.through(&o, seconds)
			if _, err := live.Run(b.Context(), o); err != nil {
				b.Fatal(err)
			}
			b.ReportMetric(a.perFrame(), "allocs/frame")
		}
		b.ReportMetric(seconds*float64(b.N)/b.Elapsed().Seconds(), "s/s")
	})
	b.Run("paced", func(b *testing.B) {
		const seconds = 12
		for b.Loop() {
			o := w.options(b, io.Discard)
			w.through(&o, seconds)
			o.Source.Pace, o.Reading.Stdin = 0, &paced{endless: *o.Reading.Stdin.(*endless), rate: float64(wideRate * w.frame)}
			res, err := live.Run(b.Context(), o)
			if err != nil {
				b.Fatal(err)
			}
			for _, bar := range res.Latency.Histogram() {
				b.Logf("%5.3g to %5.3g ms: %d", 1e3*bar.Above, 1e3*bar.Up, bar.N)
			}
			b.ReportMetric(1e3*res.Latency.Quantile(0.5), "median-ms")
			b.ReportMetric(1e3*res.Latency.Quantile(0.99), "p99-ms")
			b.ReportMetric(1e3*res.Latency.Largest, "largest-ms")
			b.ReportMetric(float64(res.Counts.Skipped), "skipped")
		}
	})
}
