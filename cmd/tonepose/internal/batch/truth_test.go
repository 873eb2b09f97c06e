package batch

import (
	"maps"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

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
	assessedAgain(t, all, o, 1)
	out, err := readOutcome(filepath.Join(o.Out, outcomes, "p0.json"))
	if err != nil {
		t.Fatal(err)
	}
	if a := out.Quality.Accuracy; a.N != whole.N || a.PositionRMS != whole.PositionRMS || a.OrientationRMS != 0 || !(a.NormalisedMean > 0) {
		t.Errorf("of positions alone %+v, of poses %+v", a, whole)
	}
	// Places of the same length, at the same time of change, a metre off.
	info, err := os.Stat(all[0].Truth)
	if err != nil {
		t.Fatal(err)
	}
	write(t, all[0].Truth, []byte(strings.ReplaceAll(places.String(), ",0.", ",1.")))
	if err := os.Chtimes(all[0].Truth, time.Time{}, info.ModTime()); err != nil {
		t.Fatal(err)
	}
	if err := os.Remove(filepath.Join(dir, "p0.sigmf-data")); err != nil { // its tables are there
		t.Fatal(err)
	}
	assessedAgain(t, all, o, 1)
	if out, err = readOutcome(filepath.Join(o.Out, outcomes, "p0.json")); err != nil || out.Quality.Accuracy.PositionRMS < 0.9 {
		t.Errorf("%v: a metre off, and the error is %g m", err, out.Quality.Accuracy.PositionRMS)
	}
	all[1].Truth = "" // it is worth something else then
	assessedAgain(t, all, o, 1)
	if out, err = readOutcome(filepath.Join(o.Out, outcomes, "p1.json")); err != nil || out.Quality.Accuracy != nil {
		t.Errorf("%v: %+v without a truth", err, out.Quality)
	}
	write(t, filepath.Join(dir, "damaged.csv"), []byte("start_s,stop_s,x_m,y_m\n0,1,0,0\n"))
	all[1].Truth = filepath.Join(dir, "damaged.csv")
	stood := contents(t, o.Out)
	for range 2 { // it is no finished one while its truth is damaged
		if res := mustRun(t, all, o); len(res.Failed) != 1 || !strings.Contains(res.Failed[0].Error, "damaged.csv:1") {
			t.Errorf("%+v", res)
		}
	}
	for name, text := range contents(t, o.Out) {
		if before, ok := stood[name]; !strings.HasPrefix(name, "shards") && (!ok || before != text) {
			t.Errorf("%s is not as it was before a truth was damaged", name)
		}
		delete(stood, name)
	}
	if len(stood) > 0 {
		t.Errorf("gone since a truth was damaged: %v", slices.Collect(maps.Keys(stood)))
	}
	// A table of which the size alone is right is solved again, and the mended truth is taken.
	poses := filepath.Join(o.Out, "poses", "recording=p2", "part-0.parquet")
	if info, err = os.Stat(poses); err != nil {
		t.Fatal(err)
	}
	write(t, poses, make([]byte, info.Size()))
	all[1].Truth, all[2].Truth = truth(t), truth(t)
	expect(t, mustRun(t, all, o), 1, 1, 0)
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

// assessedAgain runs a list of which so many have another truth than before: no table is written
// anew for that.
func assessedAgain(t *testing.T, list []Recording, o Options, want int) {
	t.Helper()
	written := func() (times []time.Time) {
		names, err := filepath.Glob(filepath.Join(o.Out, "*", "*", "*.parquet"))
		if err != nil {
			t.Fatal(err)
		}
		for _, name := range names {
			info, err := os.Stat(name)
			if err != nil {
				t.Fatal(err)
			}
			times = append(times, info.ModTime())
		}
		return times
	}
	before := written()
	res := mustRun(t, list, o)
	expect(t, res, 0, len(list)-want, 0)
	if res.Assessed != want || !slices.EqualFunc(before, written(), time.Time.Equal) {
		t.Errorf("%d assessed again: want %d, and tables as they were", res.Assessed, want)
	}
	expect(t, mustRun(t, list, o), 0, len(list), 0)
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
