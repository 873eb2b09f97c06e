package batch

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"tonepose/cmd/tonepose/internal/assess"
	"tonepose/cmd/tonepose/internal/tables"
)

func summarised(t *testing.T, dir string) *Summary {
	t.Helper()
	s, err := Summarise(dir)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// A summary says which recordings are no longer what their outcomes tell: of another truth, or
// with tables that are gone or damaged. The same batch mends them.
func TestStale(t *testing.T) {
	dir := pieces(t, 2)
	text, err := os.ReadFile(truth(t))
	if err != nil {
		t.Fatal(err)
	}
	own, list := filepath.Join(dir, "truth.csv"), filepath.Join(dir, "list.csv")
	write(t, own, text)
	write(t, list, []byte("recording,truth\np0,truth.csv\np1,\n"))
	o := options(filepath.Join(t.TempDir(), "set"))
	all := gather(t, list)
	mustRun(t, all, o)
	poses := filepath.Join(o.Out, "poses", "recording=p1", "part-0.parquet")
	for _, step := range []struct {
		what  string
		do    func() error
		words string // of what is said; empty: nothing is
	}{
		{"nothing", func() error { return nil }, ""},
		{"another time of the truth", func() error { return os.Chtimes(own, time.Time{}, time.Now().Add(time.Hour)) }, ""},
		{"another truth", func() error {
			lines := strings.SplitAfter(strings.TrimSpace(string(text)), "\n")
			return os.WriteFile(own, []byte(strings.Join(lines[:len(lines)-1], "")), 0o600) // ends earlier
		}, "its truth " + own + " has changed"},
		{"no truth to be seen", func() error { return os.Rename(own, own+".away") }, ""},
		{"it is back", func() error { return os.Rename(own+".away", own) }, ""},
		{"half a table", func() error { return os.Truncate(poses, 1000) }, "its table of poses has 1000 bytes"},
		{"no table", func() error { return os.Remove(poses) }, "its table of poses is gone"},
		{"phasors put aside", func() error { return os.RemoveAll(filepath.Join(o.Out, "phasors", "recording=p1")) }, ""},
	} {
		if err := step.do(); err != nil {
			t.Fatal(err)
		}
		s := summarised(t, o.Out)
		var said []string
		for _, r := range s.Recordings {
			if r.Stale != "" {
				said = append(said, r.Stale)
			}
		}
		if step.words == "" && len(said) > 0 || step.words != "" && (len(said) != 1 || !strings.Contains(said[0], step.words)) || s.Stale != len(said) {
			t.Fatalf("%s: %d are stale, %q: want %q", step.what, s.Stale, said, step.words)
		}
		if step.words == "" {
			continue
		}
		if res := mustRun(t, all, o); res.Solved+res.Assessed != 1 {
			t.Errorf("%s: %+v: want one that is mended", step.what, res)
		}
		if s := summarised(t, o.Out); s.Stale > 0 {
			t.Errorf("%s: still so after the batch", step.what)
		}
	}
}

// A list that was not gone through to its end is missing, also where an earlier one was, or one
// with other options.
func TestUnfinishedLists(t *testing.T) {
	list := gather(t, pieces(t, 3))
	o := options(filepath.Join(t.TempDir(), "set"))
	missing := func(want ...string) {
		t.Helper()
		if s := summarised(t, o.Out); !slices.Equal(s.Missing, want) {
			t.Fatalf("missing are %q: want %q", s.Missing, want)
		}
	}
	interrupted := func(list []Recording) {
		t.Helper()
		ctx, stop := context.WithCancel(t.Context())
		cut := o
		cut.Jobs, cut.Progress = 1, func(_ string, done, _ int64) {
			if done == 1 {
				stop()
			}
		}
		if _, err := Run(ctx, list, cut); !errors.Is(err, context.Canceled) {
			t.Fatal(err)
		}
	}
	part := func(list []Recording, i int) {
		t.Helper()
		some := o
		some.Shard = Shard{i, 2}
		mustRun(t, list, some)
	}
	interrupted(list[:2])
	missing("the whole list")
	mustRun(t, list[:2], o)
	missing()
	interrupted(list[:2]) // nothing is left to do, and yet
	missing("the whole list")
	part(list, 0) // the list has grown
	missing("2/2")
	part(list, 1)
	missing()
	o.Options.Options["robust"] = "huber"
	part(list, 1)
	missing("1/2")
	mustRun(t, list, o)
	missing()
}

// A shard without recordings is one of its list, as the others are that are at work.
func TestEmptyShard(t *testing.T) {
	list := gather(t, pieces(t, 1))
	list[0].Labels = []tables.Label{{Name: "pipe", Value: "A7"}}
	o := options(filepath.Join(t.TempDir(), "set"))
	o.Progress = func(string, int64, int64) { // while the first is at work
		other := options(o.Out)
		other.Shard = Shard{1, 2}
		expect(t, mustRun(t, list, other), 0, 0, 0)
	}
	o.Shard = Shard{0, 2}
	expect(t, mustRun(t, list, o), 1, 0, 0)
}

// Tables of a recording that is gone can't be made again: what is run with another option fails,
// and keeps them; nothing is kept of one that is gone as well as damaged. The summary tells both.
func TestGoneRecordingsKeepTheirTables(t *testing.T) {
	dir := pieces(t, 3)
	all := gather(t, dir)
	o := options(filepath.Join(t.TempDir(), "set"))
	mustRun(t, all, o)
	stood := tablesOf(t, o.Out)
	for _, name := range []string{"p0.sigmf-data", "p1.sigmf-data"} {
		if err := os.Rename(filepath.Join(dir, name), filepath.Join(dir, name+".away")); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.Truncate(filepath.Join(o.Out, "poses", "recording=p1", "part-0.parquet"), 1000); err != nil {
		t.Fatal(err)
	}
	other := o
	other.Options.Options = map[string]string{"rig": rigFile, "window": "10ms", "robust": "huber"}
	for again := range 2 {
		expect(t, mustRun(t, all, other), 1-again, again, 2)
		other.Retry = true
		now := tablesOf(t, o.Out)
		for name := range stood {
			switch {
			case strings.Contains(name, "p0") && now[name] != stood[name]:
				t.Errorf("%s is another, or gone", name)
			case strings.Contains(name, "=p1") && now[name] != "":
				t.Errorf("%s is there, and counts for nothing", name)
			}
		}
		if s := summarised(t, o.Out); s.Failed != 1 || s.Stale != 1 || s.Recordings[1].Recording != "p0" || !strings.Contains(s.Recordings[1].Stale, "failed") {
			t.Fatalf("%d failed, %d are stale, second is %+v", s.Failed, s.Stale, s.Recordings[1])
		}
		expect(t, mustRun(t, all[2:], other), 0, 1, 0) // of another list nothing else is said
		if s := summarised(t, o.Out); s.Stale != 0 {
			t.Errorf("%d are stale of another list", s.Stale)
		}
	}
	expect(t, mustRun(t, all, o), 1, 1, 1) // as before: p0 is finished, and was so
	if s := summarised(t, o.Out); s.Stale != 0 {
		t.Errorf("%d are stale with the options of before", s.Stale)
	}
}

// Who divides a list anew goes through it anew: parts of an earlier division tell nothing of it.
// Nor do they where a label says something else.
func TestDividedAnew(t *testing.T) {
	all := gather(t, pieces(t, 2))
	for i := range all {
		all[i].Labels = []tables.Label{{Name: "pipe", Value: "A7"}}
	}
	o := options(filepath.Join(t.TempDir(), "set"))
	part := func(i, n int, want ...string) {
		t.Helper()
		some := o
		some.Shard = Shard{i, n}
		mustRun(t, all, some)
		if s := summarised(t, o.Out); !slices.Equal(s.Missing, want) {
			t.Fatalf("after %v missing are %q: want %q", some.Shard, s.Missing, want)
		}
	}
	part(0, 2, "2/2")
	part(1, 2)
	part(1, 11, "1/11", "3/11", "4/11", "5/11", "6/11", "7/11", "8/11", "9/11", "10/11", "11/11")
	part(1, 2, "1/2")
	part(0, 2)
	all[1].Labels[0].Value = "A8"
	part(0, 2, "2/2")
	part(1, 2)
}

// What an earlier list had, and tables that no outcome tells of, are named.
func TestUnlisted(t *testing.T) {
	all := gather(t, pieces(t, 3))
	o := options(filepath.Join(t.TempDir(), "set"))
	mustRun(t, all, o)
	unlisted := func(want ...string) {
		t.Helper()
		if s := summarised(t, o.Out); !slices.Equal(s.Unlisted, want) {
			t.Fatalf("not in the list are %q: want %q", s.Unlisted, want)
		}
	}
	unlisted()
	all[1].Name = "other 1"
	some := o
	some.Shard = Shard{1, 2}
	mustRun(t, all[:2], some)
	unlisted() // it is not known before the list has ended
	some.Shard = Shard{0, 2}
	mustRun(t, all[:2], some)
	unlisted("p1", "p2")
	if err := os.Remove(filepath.Join(o.Out, outcomes, "p2.json")); err != nil { // as of one that was ended in the middle
		t.Fatal(err)
	}
	unlisted("p1", "p2")
	mustRun(t, all[:1], o)
	unlisted("other 1", "p1", "p2")
}

// The figure is over time where that tells recordings apart, else over their names.
func TestOrderOfTheFigure(t *testing.T) {
	noon := time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)
	of := func(name string, start time.Time) *Outcome {
		return &Outcome{Recording: name, Quality: &Quality{Start: start}}
	}
	for _, c := range []struct {
		list  []*Outcome
		want  string
		timed bool
	}{
		{[]*Outcome{of("a", noon.Add(time.Hour)), of("c", noon), of("b", noon)}, "bca", true},
		{[]*Outcome{of("c", noon), of("a", noon), of("b", noon)}, "abc", false},
		{[]*Outcome{of("c", noon), of("a", time.Time{}), of("b", noon.Add(time.Hour))}, "abc", false},
		{[]*Outcome{of("c", noon), {Recording: "a", Error: "damaged"}}, "ac", false},
	} {
		list, timed := (&Summary{Recordings: c.list}).inTime()
		have := ""
		for _, o := range list {
			have += o.Recording
		}
		if have != c.want || timed != c.timed {
			t.Errorf("%s, over time %v: want %s, %v", have, timed, c.want, c.timed)
		}
	}
}

// A recording that is lost but for a few rows comes before those that are off throughout: its few
// poses may be close to the truth.
func TestLostBeforeOff(t *testing.T) {
	rows := func(name string, unsolved int, rms float64) *Outcome {
		return &Outcome{Recording: name, Quality: &Quality{Rows: 60, Unsolved: unsolved, Flagged: unsolved, Accuracy: &assess.Accuracy{N: 60 - unsolved, PositionRMS: rms}}}
	}
	none := &Outcome{Recording: "none", NoPose: "none of 60 rows", Quality: &Quality{Rows: 60, Unsolved: 60}}
	stale := rows("stale", 0, 1e-6)
	stale.Stale = "its table of poses is gone"
	list := []*Outcome{rows("fine", 0, 1e-5), rows("off", 3, 1e-3), stale, rows("lost", 55, 1e-4), none, {Recording: "failed", Error: "damaged"}}
	slices.SortFunc(list, worse)
	var order []string
	for _, o := range list {
		order = append(order, o.Recording)
	}
	if want := []string{"failed", "none", "lost", "stale", "off", "fine"}; !slices.Equal(order, want) {
		t.Errorf("worst first %q: want %q", order, want)
	}
}
