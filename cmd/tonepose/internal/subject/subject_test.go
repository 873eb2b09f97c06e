package subject

import (
	"context"
	"errors"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/engine"
	"tonepose/cmd/tonepose/internal/pyramid"
	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/cmd/tonepose/internal/source"
	"tonepose/cmd/tonepose/internal/stream"
	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/cmd/tonepose/internal/verdict"
	"tonepose/fieldmodels/mutual"
	"tonepose/fieldmodels/rigid"
	"tonepose/multitone/recording"
)

func testdata(name ...string) string {
	return filepath.Join(append([]string{"..", "..", "..", "..", "testdata"}, name...)...)
}

// pipeBench has eight emitters and one probe whose coils are the channels 0, 1 and 2; channel 3 is the drive's.
func pipeBench(t *testing.T) *Stage {
	t.Helper()
	r, err := rig.Load(testdata("rigs", "pipe-bench.rig.yaml"), rig.Options{})
	if err != nil {
		t.Fatal(err)
	}
	return newStage(r, 1000)
}

func wantMistake(t *testing.T, err error, text, mend string) {
	t.Helper()
	var m *Mistake
	if !errors.As(err, &m) || m.Text != text || m.Mend != mend {
		t.Errorf("%v, want %q, to be mended: %q", err, text, mend)
	}
}

// Without a coil the emitters' couplings with it are gone, without an emitter those with all coils.
func TestWithout(t *testing.T) {
	s := pipeBench(t)
	out, left, err := s.Without(0, []int{0, 7}, []int{1})
	if err != nil || left != 6*2 {
		t.Errorf("%d couplings are left, %v", left, err)
	}
	for i, gone := range out {
		if e, k := i/3, i%3; gone != (e == 0 || e == 7 || k == 1) {
			t.Errorf("emitter %d, coil %d: left out is %t", e, k, gone)
		}
	}
	if _, left, err = s.Without(0, nil, nil); err != nil || left != 24 {
		t.Errorf("%d couplings with all, %v", left, err)
	}
	for _, e := range []int{-1, 8} {
		_, _, err = s.Without(0, []int{e}, nil)
		wantMistake(t, err, map[int]string{-1: "emitters: -1", 8: "emitters: 8"}[e], "must be numbers of emitters")
	}
	_, _, err = s.Without(0, nil, []int{3})
	wantMistake(t, err, "coils: 3", "must be channels of the sensor's coils")
}

// coupled is a window whose couplings are those of the model at a pose, of a stated sigma [H].
func coupled(t *testing.T, s *Stage, at rigid.Pose, sigma float64) *Shown {
	t.Helper()
	array, err := s.Rig.Array()
	if err != nil {
		t.Fatal(err)
	}
	model, err := mutual.New(array, s.Rig.Sensor(0))
	if err != nil {
		t.Fatal(err)
	}
	m := make([]float64, 24)
	if err := model.Evaluate(at, m, nil); err != nil {
		t.Fatal(err)
	}
	w := &Shown{Pose: tables.Pose{Time: 1, Duration: 0.01, Sensor: "probe"}, common: map[int]float64{}}
	for e, name := range s.Roster.Emitters {
		for k, coil := range s.Roster.sensors[0].coils {
			w.Couplings = append(w.Couplings, tables.Coupling{Time: 1, Duration: 0.01, Emitter: name, Sensor: "probe", Channel: coil, Value: m[3*e+k], Sigma: sigma})
		}
	}
	return w
}

var somewhere = rigid.Pose{Position: r3.Vec{X: 0.03, Y: -0.05, Z: 0.16}, Rotation: rigid.Exp(r3.Vec{X: 0.3, Y: -0.5, Z: 0.8})}

// A coupling that is wrong moves the pose; without its emitter, or its coil, the pose is where it was computed for.
func TestSolvesAnewWithout(t *testing.T) {
	s := pipeBench(t)
	const sigma = 2e-12
	w := coupled(t, s, somewhere, sigma)
	w.Couplings[3*4+2].Value += 300 * sigma
	re, err := s.NewResolver(0)
	if err != nil {
		t.Fatal(err)
	}
	off := func(out []bool) (metres, stated float64, dof int) {
		t.Helper()
		got, err := re.Solve(t.Context(), w, out)
		if err != nil || got.Pose.Estimate == nil {
			t.Fatal(err, got.Pose.Status)
		}
		metres, _ = Apart(*got.Pose.Estimate, somewhere)
		stated, _ = sigmas(got.Pose.Covariance)
		return metres, stated, got.Pose.DOF
	}
	// The misfit is in what is stated.
	with, grown, dof := off(nil)
	if with > grown || dof != 24-6 {
		t.Errorf("with the wrong one the pose is off by %g m, sigma %g m, %d degrees of freedom", with, grown, dof)
	}
	for _, c := range []struct {
		emitters, coils []int
		dof             int
	}{{[]int{4}, nil, 21 - 6}, {nil, []int{2}, 16 - 6}} {
		out, _, err := s.Without(0, c.emitters, c.coils)
		if err != nil {
			t.Fatal(err)
		}
		// Exact couplings leave what the solver's steps do: far less than noise would.
		if without, stated, dof := off(out); without > 0.01*stated || with < 5*stated || dof != c.dof {
			t.Errorf("without %+v the pose is off by %g m, sigma %g m, %d degrees of freedom; with all by %g m", c, without, stated, dof, with)
		}
	}
}

// What a window is worth is read off its numbers: sigmas, the region that holds 95 of 100 poses, the band of χ².
func TestReading(t *testing.T) {
	s := pipeBench(t)
	w := coupled(t, s, somewhere, 2e-12)
	pose := somewhere
	w.Pose.Estimate, w.Pose.Covariance, w.Pose.Chi2, w.Pose.DOF = &pose, new(tables.Covariance), 17, 18
	for i, v := range []float64{1e-5, 2e-5, 2e-5, 1e-4, 2e-4, 2e-4} {
		w.Pose.Covariance.Set(i, i, v*v)
	}
	w.worth = &tables.Integrity{}
	w.worth.PositionError, w.worth.Low, w.worth.High = 4e-5, [3]float64{0.029, -0.051, 0.159}, [3]float64{0.031, -0.049, 0.161}
	r := s.Read(0, w)
	near := func(what string, have, want, within float64) {
		t.Helper()
		if !(math.Abs(have-want) <= within) {
			t.Errorf("%s is %g, want %g", what, have, want)
		}
	}
	near("sigma", r.Sigma, 3e-5, 1e-18) // 1² + 2² + 2² = 3²
	near("sigma of the turn", r.SigmaTurn, 3e-4, 1e-17)
	// NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.6.7.4: upper 5 % of χ² with 3 degrees of freedom is 7.815;
	// with 18, 31.526 has 2.5 % above it and 8.231 has 2.5 % below.
	near("largest radius", slices.Max(r.Ellipsoid.Radii[:]), 2e-5*math.Sqrt(7.815), 1e-9)
	near("least radius", slices.Min(r.Ellipsoid.Radii[:]), 1e-5*math.Sqrt(7.815), 1e-9)
	near("χ² below", r.Band[0], 8.231, 5e-4)
	near("χ² above", r.Band[1], 31.526, 5e-4)
	if r.Interval == nil || r.Interval[2][0] != 0.159 || r.Interval[2][1] != 0.161 || r.Error != 4e-5 {
		t.Errorf("interval %v, error %g", r.Interval, r.Error)
	}
	if r.Grade != "sound" || r.UseError {
		t.Errorf("graded %s, the error in the place of sigma: %t", r.Grade, r.UseError)
	}
	if residual := r.Couplings.Residual[7][2]; math.Abs(residual) > 1e-6 { // of the model itself
		t.Errorf("a residual of %g sigmas", residual)
	}

	// What is wrong outranks what is in doubt, and its error stands in the place of sigma.
	w.Pose.Flags = verdict.Motion | verdict.Distorted
	if r = s.Read(0, w); r.Grade != "wrong" || r.Verdict != "distorted" || !r.UseError || !strings.Contains(r.Reason, "motion: ") {
		t.Errorf("%s, %s, %t: %s", r.Grade, r.Verdict, r.UseError, r.Reason)
	}
	w.Pose.Estimate, w.Pose.Flags, w.Pose.Status = nil, 0, "invalid"
	if r = s.Read(0, w); r.Grade != "none" || r.Position != nil || !strings.HasSuffix(r.Reason, "invalid") {
		t.Errorf("%s at %v: %s", r.Grade, r.Position, r.Reason)
	}
}

// alike stands in for a subject whose windows are all alike.
type alike struct {
	Subject
	stage *Stage
}

func (a alike) Base() *Stage     { return a.stage }
func (a alike) complete(*Moment) {}
func (a alike) Shown(_ context.Context, _ int, row pyramid.Row) (*Shown, error) {
	return &Shown{Pose: tables.Pose{Time: row.Time, Duration: 0.01, Flags: verdict.Flags(row.Flags)}}, nil
}

// The cursor shows the row next to it, and for how long its flags have been as they are.
func TestAt(t *testing.T) {
	s := pipeBench(t)
	var row [Columns]float32
	for i := range 100 {
		flags := verdict.Flags(0)
		if i >= 40 && i < 60 {
			flags = verdict.Motion
		}
		s.Tracks[0].Rows.Append(float64(i)*0.01, uint32(flags), row[:])
	}
	for _, c := range []struct{ time, row, since float64 }{{-3, 0, 0}, {0.104, 0.10, 0.10}, {0.106, 0.11, 0.11}, {0.40, 0.40, 0}, {0.55, 0.55, 0.15}, {0.60, 0.60, 0}, {9, 0.99, 0.39}} {
		m, err := At(t.Context(), alike{stage: s}, c.time, -1)
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(m.Time-c.row) > 1e-9 || math.Abs(m.Sensors[0].Since-c.since) > 1e-9 {
			t.Errorf("at %g s: the row of %g s, alike for %g s, want %+v", c.time, m.Time, m.Sensors[0].Since, c)
		}
	}
	if m, err := At(t.Context(), alike{stage: pipeBench(t)}, 1, -1); err != nil || len(m.Sensors) != 0 {
		t.Errorf("with no row: %+v, %v", m, err)
	}
}

// Windows and low-passes that cannot be are refused with what can; the others say how measure is told of them.
func TestAveraging(t *testing.T) {
	const rate = 100e3
	for _, c := range []struct {
		ask        Averaging
		text, mend string
	}{
		{Averaging{Window: 0.1e-3}, "window_s = 0.0001", "make the window longer"},
		{Averaging{Window: math.NaN()}, "window_s = NaN", "make the window longer"},
		{Averaging{Window: 0.01, Hop: 1e-6}, "hop_s = 1e-06", "must be a sample or more"},
		{Averaging{Window: 0.01, Taper: "none"}, `taper "none"`, "choose one of the list"},
		{Averaging{LowPass: &lowPass{Kind: "none"}}, `low-pass "none"`, "choose one of the list"},
	} {
		_, _, err := c.ask.Windows(rate)
		wantMistake(t, err, c.text, c.mend)
	}
	if _, _, err := (&Averaging{LowPass: &lowPass{Kind: "cascade", Order: 4, Bandwidth: rate}}).Windows(rate); err == nil {
		t.Error("a low-pass wider than half the rate is none")
	}
	for flags, ask := range map[string]Averaging{
		"--window 0.02s --hop 0.005s --taper hann":  {Window: 0.02, Hop: 0.005},
		"--window 0.02s --hop 0.02s --taper hann":   {Window: 0.02},
		"--lowpass cascade4 --bandwidth 50":         {LowPass: &lowPass{Kind: "cascade", Order: 4, Bandwidth: 50}},
		"--lowpass cascade2 --time-constant 0.003s": {LowPass: &lowPass{Kind: "cascade", Order: 2, TimeConstant: 3e-3}},
	} {
		w, have, err := ask.Windows(rate)
		if err != nil || have != flags || w.Length != ask.Window {
			t.Errorf("%+v: windows %+v, flags %s, %v", ask, w, have, err)
		}
	}
}

// A stream says when it runs, when nothing comes any more, when something comes again, and when it ends.
func TestStreamSaysHowItStands(t *testing.T) {
	r, err := rig.Load(testdata("rigs", "pipe-bench.rig.yaml"), rig.Options{})
	if err != nil {
		t.Fatal(err)
	}
	counts, err := os.ReadFile(testdata("recordings", "pipe-bench-moving.sigmf-data"))
	if err != nil {
		t.Fatal(err)
	}
	read, write := io.Pipe()
	reading := recording.Options{Format: "ri16_le", SampleRate: 100e3, Channels: 4, Stdin: read}
	news := make(chan string, 1000)
	var f *Stream
	f = NewStream(r, Setup{Mode: "live", Name: "-", How: func() engine.Options { return engine.Options{Windows: stream.Windows{Length: 0.01, Hop: 0.01}} },
		Open: func(ctx context.Context) (source.Source, error) {
			return source.Open(ctx, "-", source.Options{Pace: math.Inf(1), Reading: f.Bench.Reading(reading)})
		}}, func(kind string) {
		if kind == SourceNews {
			news <- f.Source().State
		}
	})
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		f.Run(ctx)
	}()
	// On a busy machine it waits and runs more often than here.
	until := func(states ...string) {
		t.Helper()
		for _, want := range states {
			for have := ""; have != want; {
				select {
				case have = <-news:
				case <-t.Context().Done():
					t.Fatalf("it never was %s", want)
				}
			}
		}
	}
	const second = 100e3 * 8
	write.Write(counts[:second/2])
	until("waiting", "capturing", "running", "waiting")
	if m := f.Latest(); m == nil || m.Solved < 40 || f.Source().For < 1 {
		t.Errorf("%+v, for %g s", m, f.Source().For)
	}
	write.Write(counts[second/2 : second])
	until("running")
	write.Close()
	until("ended")
	cancel()
	<-ended
}

// A clock that is slow is off by a negative number, with a minus sign.
func TestClockIsWrittenWithAMinus(t *testing.T) {
	f := &Stream{Stage: pipeBench(t)}
	k := &kept{}
	for _, e := range f.Rig.Emitters {
		k.hz = append(k.hz, e.ToneHz*(1-3e-6))
	}
	if have := f.clock(k).Text; have != "−3.00 ppm" {
		t.Errorf("a clock 3 ppm slow: %q", have)
	}
}
