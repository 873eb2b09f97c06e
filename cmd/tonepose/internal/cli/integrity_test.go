package cli

import (
	"bytes"
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"tonepose/cmd/tonepose/internal/present"
	"tonepose/cmd/tonepose/internal/verdict"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/assess"
	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/solver/assessment"
)

// altered returns the pipe bench's rig with some texts replaced, each of which
// must occur: the bench as it really is, while it is solved as it should be.
func altered(t *testing.T, replace ...string) string {
	t.Helper()
	text, err := os.ReadFile(rigFile("pipe-bench.rig.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	s := string(text)
	for i := 0; i < len(replace); i += 2 {
		if !strings.Contains(s, replace[i]) {
			t.Fatalf("the rig has no %q", replace[i])
		}
		s = strings.Replace(s, replace[i], replace[i+1], 1)
	}
	name := filepath.Join(t.TempDir(), "real.rig.yaml")
	if err := os.WriteFile(name, []byte(s), 0o644); err != nil {
		t.Fatal(err)
	}
	return name
}

// solved runs solve on a recording of the pipe bench and returns its summary
// and what it said.
func solved(t *testing.T, dir string, args ...string) (present.Solved, string) {
	t.Helper()
	var out, errs bytes.Buffer
	args = append([]string{"solve", "--out", dir, "--figures", "none", "--json"}, args...)
	if !slices.Contains(args, "--rig") {
		args = append(args, "--rig", rigFile("pipe-bench.rig.yaml"))
	}
	if code := Run(t.Context(), args, Streams{Out: &out, Err: &errs}); code != 0 {
		t.Fatalf("tonepose %v: exit code %d\n%s", args, code, errs.String())
	}
	var sum present.Solved
	if err := json.Unmarshal(out.Bytes(), &sum); err != nil {
		t.Fatal(err)
	}
	return sum, errs.String()
}

// Faults that a bench can have are named, and left out on request, from the
// samples on: the recording is simulated with the fault, and solved without
// knowing of it.
func TestFaultsAreNamedAndLeftOut(t *testing.T) {
	t.Parallel()
	const e4, e4Reversed = "axis: [-0.178586454, 0.192602646, 0.964889164]", "axis: [0.178586454, -0.192602646, -0.964889164]"
	const e3 = "axis: [0.278485746, 0.295714396, 0.913782625]\n    radius_m: 0.035\n    turns: "
	const e5 = "axis: [-0.021379365, 0.13330936, 0.990843851]\n    radius_m: 0.035\n    turns: "
	const rx3 = "axis: [0, 0, 1]\n    area_turns_m2: "
	for words, edits := range map[string][]string{
		"coil rx2 reads 1.31 times too much":      {"rx2, full_scale_v: 2.5, gain: 100.0", "rx2, full_scale_v: 2.5, gain: 131.0"},
		"coil rx3 reads nothing":                  {rx3 + "0.004", rx3 + "1.0e-9"},
		"coil rx1 looks reversed":                 {"rx1, full_scale_v: 2.5, gain: 100.0", "rx1, full_scale_v: 2.5, gain: -100.0"},
		"coils rx1 and rx3 look exchanged":        {"channel: rx1", "channel: other", "channel: rx3", "channel: rx1", "channel: other", "channel: rx3"},
		"coil rx3 does not fit the others":        {rx3 + "0.004", "axis: [1, 0, 0.3]\n    area_turns_m2: 0.004"},
		"emitter e3 has only 0.8 of its strength": {e3 + "40", e3 + "32"},
		"emitter e4 looks reversed":               {e4, e4Reversed},
		"emitter e5 looks switched off":           {e5 + "40", e5 + "1.0e-6"},
		"emitters e2 and e7 look exchanged":       {"6325.0", "9.0", "13125.0", "6325.0", "9.0", "13125.0"},
	} {
		t.Run(words, func(t *testing.T) {
			t.Parallel()
			dir := t.TempDir()
			run := filepath.Join(dir, "run.npy")
			tonepose(t, "simulate", altered(t, edits...), "--path", "stations", "--duration", "500ms", "--bits", "0", "--out", run)
			args := []string{run, "--intervals", filepath.Join(dir, "run.intervals.csv"), "--leave-out"}
			sum, said := solved(t, filepath.Join(dir, "out"), args...)
			// A fitted gain varies in its last digits.
			name := words
			if i := strings.IndexAny(words, "."); i > 0 {
				name = words[:i]
			}
			if !strings.Contains(said, name) {
				t.Errorf("said %q, want %q", said, words)
			}
			g := sum.Verdicts[0]
			if len(g.Faults) != 1 || g.WrongChannel != sum.Frames || sum.Frames < 5 || g.Distorted != 0 {
				t.Errorf("%+v of %d frames", *g, sum.Frames)
			}
			a, err := assess.Compare(t.Context(), filepath.Join(dir, "out"), filepath.Join(dir, "run.truth.csv"), assess.Options{})
			if err != nil {
				t.Fatal(err)
			}
			report, _ := assessment.Summarise(a.Samples)
			r := report.NormalisedMean
			// Chi-square of six degrees of freedom a station, its mean over five
			// stations: above 2.2 or below 0.3 once in ten thousand.
			if r < 0.3 || r > 2.2 {
				t.Errorf("without the fault the squared error is %.2f of what is stated", r)
			}
		})
	}
}

// Three coils within some micrometres of one point: a reversed coil is the mirror
// image of the probe, as is every other reversed coil and every exchange but for
// a rotation. One station cannot tell which; all together can. Poses that hang
// on the choice are flagged ambiguous.
func TestStationsTogetherTellFaultsApart(t *testing.T) {
	t.Parallel()
	close := []string{"[0.004, 0, 0.001]", "[3.0e-6, 0, 3.0e-6]", "[-0.003, 0.003, 0]", "[-3.0e-6, 3.0e-6, 0]", "[0, -0.002, -0.004]", "[0, -3.0e-6, -3.0e-6]"}
	dir := t.TempDir()
	run, stations := filepath.Join(dir, "run.npy"), filepath.Join(dir, "run.intervals.csv")
	real := altered(t, append(close, "rx1, full_scale_v: 2.5, gain: 100.0", "rx1, full_scale_v: 2.5, gain: -100.0")...)
	tonepose(t, "simulate", real, "--path", "stations", "--bits", "0", "--out", run)
	text, err := os.ReadFile(stations)
	if err != nil {
		t.Fatal(err)
	}
	one := filepath.Join(dir, "one.csv")
	if err := os.WriteFile(one, []byte(strings.Join(strings.SplitAfter(string(text), "\n")[:2], "")), 0o644); err != nil {
		t.Fatal(err)
	}
	for name, rivals := range map[string]bool{one: true, stations: false} {
		out := filepath.Join(dir, strings.TrimSuffix(filepath.Base(name), ".csv"))
		sum, said := solved(t, out, run, "--rig", altered(t, close...), "--intervals", name, "--leave-out")
		f := sum.Verdicts[0].Faults
		if len(f) != 1 || (len(f[0].Rivals) > 0) != rivals || !strings.Contains(said, "coil rx1 looks reversed") {
			t.Errorf("%s: %s", filepath.Base(name), said)
		}
		a, err := assess.Compare(t.Context(), out, filepath.Join(dir, "run.truth.csv"), assess.Options{})
		if err != nil {
			t.Fatal(err)
		}
		if a.Rows[0].Flags&verdict.Ambiguous == 0 {
			t.Errorf("%s: the first station is flagged %q", filepath.Base(name), a.Rows[0].Flags)
		}
	}
}

// A robust loss costs little where nothing is wrong, and keeps a pose where an
// emitter, three of 24 couplings, is.
func TestRobustSolve(t *testing.T) {
	t.Parallel()
	const e3 = "axis: [0.278485746, 0.295714396, 0.913782625]\n    radius_m: 0.035\n    turns: "
	dir := t.TempDir()
	run, truth := filepath.Join(dir, "run.npy"), filepath.Join(dir, "run.truth.csv")
	tonepose(t, "simulate", altered(t, e3+"40", e3+"38"), "--path", "stations", "--duration", "800ms", "--bits", "0", "--out", run)
	rms := map[string]float64{}
	for _, loss := range []string{"none", "huber", "cauchy", "tukey"} {
		clean, _ := assessed(t, "pipe-bench-stations.truth.csv", recordingFile("pipe-bench-stations.sigmf-meta"),
			"--rig", rigFile("pipe-bench.rig.yaml"), "--intervals", recordingFile("pipe-bench-stations.truth.csv"), "--robust", loss)
		// 95 % efficient losses lose 2.5 % of the RMS in the mean; of 27 stations,
		// whose few farthest rule the RMS, one may lose more.
		if clean.PositionRMS > 0.02e-3 || clean.NormalisedMean > 1.6 {
			t.Errorf("%s: nothing wrong, but position %.4f mm RMS, squared error %.2f of what is stated", loss, clean.PositionRMS*1e3, clean.NormalisedMean)
		}
		out := filepath.Join(dir, loss)
		sum, _ := solved(t, out, run, "--intervals", filepath.Join(dir, "run.intervals.csv"), "--robust", loss)
		a, err := assess.Compare(t.Context(), out, truth, assess.Options{})
		if err != nil {
			t.Fatal(err)
		}
		r, _ := assessment.Summarise(a.Samples)
		rms[loss] = r.PositionRMS
		if sum.Verdicts[0].WrongChannel != sum.Frames {
			t.Errorf("%s: %d of %d frames are flagged", loss, sum.Verdicts[0].WrongChannel, sum.Frames)
		}
	}
	// Five per cent of one emitter are hundreds of sigmas. Even Huber's loss, which
	// bounds a pull without ending it, leaves a few sigmas of it.
	for _, loss := range []string{"huber", "cauchy", "tukey"} {
		if rms[loss] > 0.05*rms["none"] {
			t.Errorf("%s: %.4f mm RMS, plain squares %.4f mm", loss, rms[loss]*1e3, rms["none"]*1e3)
		}
	}
}

// The metal recording's estimated errors cover the true ones, which are in the
// truth file, and stay within ten times them.
func TestMetalRecordingErrorIsCovered(t *testing.T) {
	truth := recordingFile("pipe-bench-metal.truth.csv")
	dir := filepath.Join(t.TempDir(), "out")
	solved(t, dir, recordingFile("pipe-bench-metal.npy"), "--intervals", truth)
	a, err := assess.Compare(t.Context(), dir, truth, assess.Options{})
	if err != nil {
		t.Fatal(err)
	}
	r, err := tables.Open[tables.Integrity](filepath.Join(dir, tables.IntegrityName+".parquet"))
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	n := 0
	for row, err := range r.All() {
		if err != nil {
			t.Fatal(err)
		}
		dp, dr := a.Samples[n].Truth.Minus(a.Samples[n].Estimate)
		at, turn := r3.Norm(dp), r3.Norm(dr)
		if at > row.PositionError || turn > row.RotationError {
			t.Errorf("station %d: off by %.4f mm and %.5f rad, estimated %.4f mm and %.5f rad", n+1, at*1e3, turn, row.PositionError*1e3, row.RotationError)
		}
		if at < row.PositionError/10 {
			t.Errorf("station %d: off by %.4f mm, estimated %.4f mm", n+1, at*1e3, row.PositionError*1e3)
		}
		n++
	}
	if n != 5 {
		t.Errorf("%d rows, want 5", n)
	}
}

// A delay that the rig does not know of is named, and is no metal.
func TestUnknownDelayIsNamed(t *testing.T) {
	dir := t.TempDir()
	run := filepath.Join(dir, "run.npy")
	tonepose(t, "simulate", rigFile("pipe-bench.rig.yaml"), "--path", "stations", "--duration", "800ms", "--delay", "60ns", "--bits", "0", "--out", run)
	sum, said := solved(t, filepath.Join(dir, "out"), run, "--intervals", filepath.Join(dir, "run.intervals.csv"))
	g := sum.Verdicts[0]
	if g.Distorted != 0 || len(g.Delays) != 3 {
		t.Fatalf("%+v; said %s", *g, said)
	}
	for _, d := range g.Delays {
		if math.Abs(d.DelayS-60e-9) > 5*d.SigmaS {
			t.Errorf("%s lags %.2f ± %.2f ns, want 60", d.Channel, d.DelayS*1e9, d.SigmaS*1e9)
		}
	}
}
