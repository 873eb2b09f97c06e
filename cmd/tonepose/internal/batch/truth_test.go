package batch

import (
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"tonepose/cmd/tonepose/internal/assess"
	"tonepose/cmd/tonepose/internal/measure"
	"tonepose/cmd/tonepose/internal/solve"
)

// truth is that of the recording that pieces are cut from.
func truth(t *testing.T) string {
	t.Helper()
	name, err := filepath.Abs(testdata("recordings", "pipe-bench-moving.truth.csv"))
	if err != nil {
		t.Fatal(err)
	}
	return name
}

// What an outcome says of a recording's errors is what assess says of it solved alone. The
// later piece is held against the truth of the first, so that it is further off; one without a
// truth comes after both, one that has no pose before them.
func TestAccuracyAgainstTruth(t *testing.T) {
	dir := pieces(t, 3)
	list := filepath.Join(dir, "list.csv")
	write(t, list, []byte("recording,truth\np0,"+truth(t)+"\np1,"+truth(t)+"\np2,\n"))
	o := options(filepath.Join(t.TempDir(), "set"))
	all := gather(t, list)
	expect(t, mustRun(t, all, o), 3, 0, 0)

	s, err := Summarise(o.Out)
	if err != nil {
		t.Fatal(err)
	}
	var order []string
	for _, o := range s.Recordings {
		order = append(order, o.Recording)
	}
	if s.Assessed != 2 || !slices.Equal(order, []string{"p1", "p0", "p2"}) {
		t.Fatalf("%d assessed, worst first %v", s.Assessed, order)
	}
	for i, name := range order[:2] {
		alone := solve.Options{Job: measure.Job{Input: o.Input, Out: filepath.Join(t.TempDir(), name), Windows: o.Windows, Tool: o.Tool, Options: o.Options.Options}}
		alone.Recording = filepath.Join(dir, name)
		if _, err := solve.Run(t.Context(), alone); err != nil {
			t.Fatal(err)
		}
		want, err := assess.Run(t.Context(), alone.Out, truth(t), assess.Options{Resamples: -1})
		if err != nil {
			t.Fatal(err)
		}
		have := s.Recordings[i].Quality.Accuracy
		if have.N != want.N || have.Beyond != want.Beyond || have.WithCovariance != want.WithCovariance || want.N < 15 {
			t.Errorf("%s: %+v: want %d poses, %d beyond, %d with covariance", name, have, want.N, want.Beyond, want.WithCovariance)
		}
		// Sums of the same numbers in another order differ by some roundings each.
		for what, pair := range map[string][2]float64{
			"position": {have.PositionRMS, want.PositionRMS}, "farthest": {have.PositionMax, want.PositionMax},
			"orientation": {have.OrientationRMS, want.OrientationRMS}, "normalised": {have.NormalisedMean, want.NormalisedMean},
			"coverage": {have.Coverage95, want.Coverage95},
		} {
			if !(math.Abs(pair[0]-pair[1]) <= 1e-12*pair[1]) {
				t.Errorf("%s: %s is %g: want %g", name, what, pair[0], pair[1])
			}
		}
	}

	expect(t, mustRun(t, all, o), 0, 3, 0)
	var places strings.Builder // without orientations
	text, err := os.ReadFile(truth(t))
	if err != nil {
		t.Fatal(err)
	}
	for line := range strings.Lines(string(text)) {
		places.WriteString(strings.Join(strings.SplitN(line, ",", 6)[:5], ",") + "\n")
	}
	write(t, filepath.Join(dir, "places.csv"), []byte(places.String()))
	whole := s.Recordings[1].Quality.Accuracy
	all[0].Truth = filepath.Join(dir, "places.csv")
	expect(t, mustRun(t, all, o), 1, 2, 0)
	out, err := readOutcome(filepath.Join(o.Out, outcomes, "p0.json"))
	if err != nil {
		t.Fatal(err)
	}
	if a := out.Quality.Accuracy; a.N != whole.N || a.PositionRMS != whole.PositionRMS || a.OrientationRMS != 0 || !(a.NormalisedMean > 0) {
		t.Errorf("of positions alone %+v, of poses %+v", a, whole)
	}
	all[1].Truth = "" // it is worth something else then
	expect(t, mustRun(t, all, o), 1, 2, 0)
	write(t, filepath.Join(dir, "damaged.csv"), []byte("start_s,stop_s,x_m,y_m\n0,1,0,0\n"))
	all[1].Truth = filepath.Join(dir, "damaged.csv")
	if res := mustRun(t, all, o); len(res.Failed) != 1 || !strings.Contains(res.Failed[0].Error, "damaged.csv:1") {
		t.Errorf("%+v", res)
	}
	for _, name := range []string{filepath.Join(dir, "none.csv"), dir} {
		all[2].Truth = name
		before := contents(t, o.Out)
		if _, err := Run(t.Context(), all, o); err == nil || !strings.Contains(err.Error(), "list.csv:4: truth") {
			t.Errorf("%v", err)
		}
		if after := contents(t, o.Out); len(after) != len(before) {
			t.Errorf("%d files: want %d", len(after), len(before))
		}
	}
}

// The order of a summary: failed, without a pose, by the error against the truth, by flags.
func TestWorstFirst(t *testing.T) {
	with := func(rms float64, flagged int) *Quality {
		return &Quality{Rows: 100, Flagged: flagged, Accuracy: &assess.Accuracy{N: 1, PositionRMS: rms}}
	}
	list := []*Outcome{
		{Recording: "fine", Quality: &Quality{Rows: 100, Flagged: 1}}, {Recording: "flagged", Quality: &Quality{Rows: 100, Flagged: 60}},
		{Recording: "near", Quality: with(1e-4, 90)}, {Recording: "far", Quality: with(1e-2, 0)},
		{Recording: "blind", Quality: &Quality{Rows: 100, Unsolved: 100, Flagged: 100}}, {Recording: "failed", Error: "no such file"},
	}
	slices.SortFunc(list, worse)
	var order []string
	for _, o := range list {
		order = append(order, o.Recording)
	}
	if want := []string{"failed", "blind", "far", "near", "flagged", "fine"}; !slices.Equal(order, want) {
		t.Errorf("%v: want %v", order, want)
	}
}

// All tables of a data set have the same labels: a list with others is refused before
// anything is written. What failed has no table, and binds nobody.
func TestOtherLabelsAreRefused(t *testing.T) {
	dir := pieces(t, 1)
	o := options(filepath.Join(t.TempDir(), "set"))
	list := func(text string) []Recording {
		name := filepath.Join(dir, "list.csv")
		write(t, name, []byte(text))
		return gather(t, name)
	}
	expect(t, mustRun(t, list("recording,floor\nmissing.wav,1\n"), o), 0, 0, 1)
	expect(t, mustRun(t, list("recording,pipe,operator\np0,A7,first\n"), o), 1, 0, 0)
	before := contents(t, o.Out)
	for text, words := range map[string]string{
		"recording,pipe\np0,A7\n": "have the labels operator, pipe, those of " + filepath.Join(dir, "list.csv") + ":2 are pipe: ",
		"recording\np0\n":         "are none: ",
	} {
		if _, err := Run(t.Context(), list(text), o); err == nil || !strings.Contains(err.Error(), words) || !strings.Contains(err.Error(), "name another data set") {
			t.Errorf("%v: want %q", err, words)
		}
		after := contents(t, o.Out)
		if len(after) != len(before) || after[filepath.Join("outcomes", "p0.json")] != before[filepath.Join("outcomes", "p0.json")] {
			t.Error("something was written")
		}
	}
	expect(t, mustRun(t, list("recording,operator,pipe\np0,first,A7\n"), o), 1, 0, 0) // in another order
}
