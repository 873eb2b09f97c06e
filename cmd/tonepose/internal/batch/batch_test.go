package batch

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"tonepose/cmd/tonepose/internal/measure"
	"tonepose/cmd/tonepose/internal/solve"
	"tonepose/cmd/tonepose/internal/stream"
	"tonepose/cmd/tonepose/internal/tables"
)

func testdata(name ...string) string {
	return filepath.Join(append([]string{"..", "..", "..", "..", "testdata"}, name...)...)
}

var rigFile = testdata("rigs", "pipe-bench.rig.yaml")

// pieces are recordings of 0.2 s each, cut from one of 3 s, in a folder.
func pieces(t *testing.T, n int) (dir string) {
	t.Helper()
	samples, err := os.ReadFile(testdata("recordings", "pipe-bench-moving.sigmf-data"))
	if err != nil {
		t.Fatal(err)
	}
	text, err := os.ReadFile(testdata("recordings", "pipe-bench-moving.sigmf-meta"))
	if err != nil {
		t.Fatal(err)
	}
	var meta map[string]any
	if err := json.Unmarshal(text, &meta); err != nil {
		t.Fatal(err)
	}
	delete(meta["global"].(map[string]any), "core:sha512")
	if text, err = json.Marshal(meta); err != nil {
		t.Fatal(err)
	}
	dir = t.TempDir()
	size := len(samples) / 15
	for i := range n {
		name := filepath.Join(dir, fmt.Sprintf("p%d", i))
		write(t, name+".sigmf-meta", text)
		write(t, name+".sigmf-data", samples[i*size:(i+1)*size])
	}
	return dir
}

func write(t *testing.T, name string, content []byte) {
	t.Helper()
	if err := os.WriteFile(name, content, 0o644); err != nil {
		t.Fatal(err)
	}
}

func options(out string) Options {
	var o Options
	o.Rig, o.Out, o.Jobs = rigFile, out, 2
	o.Windows = stream.Windows{Length: 10e-3, Hop: 10e-3}
	o.Tool, o.Options.Options = "0.1.0", map[string]string{"rig": rigFile, "window": "10ms"}
	return o
}

func gather(t *testing.T, from ...string) []Recording {
	t.Helper()
	list, err := Gather(from)
	if err != nil {
		t.Fatal(err)
	}
	return list
}

func mustRun(t *testing.T, list []Recording, o Options) *Result {
	t.Helper()
	res, err := Run(t.Context(), list, o)
	if err != nil {
		t.Fatal(err)
	}
	return res
}

// contents are the files below a directory, those of outcomes without what differs from run
// to run.
func contents(t *testing.T, dir string) map[string]string {
	t.Helper()
	all := map[string]string{}
	err := filepath.WalkDir(dir, func(path string, e fs.DirEntry, err error) error {
		if err != nil || e.IsDir() {
			return err
		}
		text, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		name, err := filepath.Rel(dir, path)
		if strings.HasSuffix(path, ".json") {
			var o Outcome
			if err := json.Unmarshal(text, &o); err != nil {
				return err
			}
			o.Ended, o.ElapsedS = time.Time{}, 0
			text, err = json.Marshal(o)
		}
		all[name] = string(text)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return all
}

// tablesOf are the tables and outcomes of a data set.
func tablesOf(t *testing.T, dir string) map[string]string {
	t.Helper()
	all := contents(t, dir)
	maps.DeleteFunc(all, func(name, _ string) bool { return strings.HasPrefix(name, shards) })
	return all
}

// expect fails unless a run came to so many.
func expect(t *testing.T, res *Result, solved, finished, failed int) {
	t.Helper()
	if res.Solved != solved || res.Finished != finished || len(res.Failed) != failed {
		var errs []string
		for _, f := range res.Failed {
			errs = append(errs, f.Error)
		}
		t.Fatalf("%d solved, %d finished before, %d failed: want %d, %d, %d; %q", res.Solved, res.Finished, len(res.Failed), solved, finished, failed, errs)
	}
}

// A partition is what solve makes of its recording alone, byte for byte, whatever the number
// of jobs and shards.
func TestPartitionsAreThoseOfSolve(t *testing.T) {
	dir := pieces(t, 4)
	list := gather(t, dir)
	one := options(filepath.Join(t.TempDir(), "one"))
	expect(t, mustRun(t, list, one), 4, 0, 0)
	want := tablesOf(t, one.Out)

	several := options(filepath.Join(t.TempDir(), "several"))
	several.Jobs = 1
	for i := range 3 {
		several.Shard = Shard{Index: i, Count: 3}
		mustRun(t, list, several)
	}
	if diff := cmp.Diff(want, tablesOf(t, several.Out)); diff != "" {
		t.Errorf("three shards made another data set than one run: %s", diff)
	}
	if len(want) != 4*(len(solve.Tables)+1) {
		t.Errorf("%d files", len(want))
	}

	alone := solve.Options{Job: measure.Job{Input: one.Input, Out: filepath.Join(t.TempDir(), "alone"), Windows: one.Windows, Tool: one.Tool, Options: one.Options.Options}}
	alone.Recording = list[2].Recording
	if _, err := solve.Run(t.Context(), alone); err != nil {
		t.Fatal(err)
	}
	for _, table := range solve.Tables {
		text, err := os.ReadFile(filepath.Join(alone.Out, table+".parquet"))
		if err != nil {
			t.Fatal(err)
		}
		if string(text) != want[filepath.Join(table, "recording=p2", "part-0.parquet")] {
			t.Errorf("%s of p2 is not that of solve", table)
		}
	}
}

// What fails is said, keeps no table, stops nothing, and is tried again when asked to or when
// it has changed.
func TestFailuresDoNotStopTheRest(t *testing.T) {
	dir := pieces(t, 3)
	write(t, filepath.Join(dir, "p1.sigmf-data"), []byte("12345678")) // one sample a channel
	list := filepath.Join(dir, "list.csv")
	write(t, list, []byte("recording\np0\np1.sigmf-meta\nmissing.wav\np2\n"))
	o := options(filepath.Join(t.TempDir(), "set"))
	var told []string
	o.Failed = func(f *Outcome) { told = append(told, f.Recording) }
	res := mustRun(t, gather(t, list), o)
	expect(t, res, 2, 0, 2)
	slices.Sort(told)
	if diff := cmp.Diff([]string{"missing", "p1"}, told); diff != "" {
		t.Error(diff)
	}
	for i, words := range []string{"p1", "missing.wav"} {
		if f := res.Failed[i]; !strings.Contains(f.Error, words) || f.Quality != nil {
			t.Errorf("%+v", f)
		}
	}
	if left, _ := filepath.Glob(filepath.Join(o.Out, "*", "recording=p1")); len(left) > 0 {
		t.Errorf("%v is left of a recording that failed", left)
	}
	expect(t, mustRun(t, gather(t, list), o), 0, 2, 2)

	whole, err := os.ReadFile(filepath.Join(dir, "p2.sigmf-data"))
	if err != nil {
		t.Fatal(err)
	}
	write(t, filepath.Join(dir, "p1.sigmf-data"), whole)
	write(t, filepath.Join(dir, "missing.wav"), []byte("RIFF"))
	expect(t, mustRun(t, gather(t, list), o), 1, 2, 1)

	// The second failure is of the recorder's disk, say: with the same file it is tried again only
	// when asked for.
	o.Retry, told = true, nil
	expect(t, mustRun(t, gather(t, list), o), 0, 3, 1)
	if len(told) != 1 {
		t.Errorf("told of %v", told)
	}
}

// What is finished is passed over as long as its files, rig, options and labels are the same.
func TestWhatIsFinishedIsPassedOver(t *testing.T) {
	dir := pieces(t, 2)
	o := options(filepath.Join(t.TempDir(), "set"))
	solved := func(list []Recording) int {
		t.Helper()
		res := mustRun(t, list, o)
		if len(res.Failed) > 0 {
			t.Fatal(res.Failed[0].Error)
		}
		return res.Solved
	}
	list := gather(t, dir)
	for i := range list {
		list[i].Labels = []tables.Label{{Name: "pipe", Value: "A7"}}
	}
	for _, step := range []struct {
		what string
		do   func()
		want int
	}{
		{"the first run", func() {}, 2},
		{"nothing", func() {}, 0},
		{"a copy has another time", func() {
			if err := os.Chtimes(filepath.Join(dir, "p0.sigmf-data"), time.Time{}, time.Now().Add(time.Hour)); err != nil {
				t.Fatal(err)
			}
		}, 0},
		{"other samples", func() {
			text, err := os.ReadFile(filepath.Join(dir, "p1.sigmf-data"))
			if err != nil {
				t.Fatal(err)
			}
			write(t, filepath.Join(dir, "p0.sigmf-data"), text)
		}, 1},
		{"another option", func() { o.Options.Options["robust"] = "huber" }, 2},
		{"another place of the same rig", func() {
			text, err := os.ReadFile(rigFile)
			if err != nil {
				t.Fatal(err)
			}
			o.Rig = filepath.Join(dir, "same.rig.yaml")
			write(t, o.Rig, text)
		}, 0},
		{"another rig", func() {
			text, err := os.ReadFile(rigFile)
			if err != nil {
				t.Fatal(err)
			}
			write(t, o.Rig, append(text, "# changed\n"...))
		}, 2},
		{"another value of a label", func() { list[0].Labels[0].Value = "A8" }, 1},
		{"a recording that was taken away", func() {
			if err := os.Remove(filepath.Join(dir, "p1.sigmf-data")); err != nil {
				t.Fatal(err)
			}
		}, 0},
		{"an outcome that is damaged", func() { write(t, filepath.Join(o.Out, outcomes, "p0.json"), []byte("{")) }, 1},
	} {
		step.do()
		if n := solved(list); n != step.want {
			t.Fatalf("%s: %d are solved: want %d", step.what, n, step.want)
		}
	}
}

// Intervals and rigs of a list stand instead of those of the command.
func TestListsSayHow(t *testing.T) {
	dir := pieces(t, 2)
	write(t, filepath.Join(dir, "rests.csv"), []byte("start_s,stop_s\n0.02,0.08\n0.1,0.18\n"))
	text, err := os.ReadFile(rigFile)
	if err != nil {
		t.Fatal(err)
	}
	write(t, filepath.Join(dir, "own.rig.yaml"), text)
	list := filepath.Join(dir, "list.csv")
	write(t, list, []byte("recording,rig,intervals,pipe\np0,own.rig.yaml,rests.csv,A7\np1,own.rig.yaml,,B\n"))
	o := options(filepath.Join(t.TempDir(), "set"))
	o.Rig = ""
	expect(t, mustRun(t, gather(t, list), o), 2, 0, 0)
	for name, want := range map[string]int{"p0": 2, "p1": 20} {
		out, err := readOutcome(filepath.Join(o.Out, outcomes, name+".json"))
		if err != nil {
			t.Fatal(err)
		}
		if out.Quality.Rows != want {
			t.Errorf("%s: %d rows: want %d", name, out.Quality.Rows, want)
		}
	}
}

func TestListsThatAreRefused(t *testing.T) {
	dir := pieces(t, 1)
	list := func(text string) string {
		name := filepath.Join(t.TempDir(), "list.csv")
		write(t, name, []byte(text))
		return name
	}
	for _, c := range []struct {
		from  []string
		words string
	}{
		{[]string{filepath.Join(dir, "none")}, "no such file"},
		{[]string{t.TempDir()}, "no recording in it"},
		{[]string{list("recording\na/x.wav\nb/X.wav\n")}, ":3: name \"X\", which "},
		{[]string{list("recording\n.wav\n")}, "gives no name"},
		{[]string{list("recording,name\na.wav," + strings.Repeat("ü", 40) + "\n")}, "240 bytes"},
		{[]string{list("recording,pipe\na.wav,1\n"), dir}, "other labels"},
		{[]string{dir, dir}, "of a CSV that lists the recordings"},
	} {
		if _, err := Gather(c.from); err == nil || !strings.Contains(err.Error(), c.words) {
			t.Errorf("%v: %v: want %q", c.from, err, c.words)
		}
	}
	latin := []Recording{{tables.Listed{Recording: "stra\xdfe.wav", Name: "stra\xdfe"}}} // as a folder may hold it
	if err := distinct(latin); err == nil || !strings.Contains(err.Error(), "gives no name") {
		t.Errorf("%v", err)
	}
	none, other := options(filepath.Join(t.TempDir(), "set")), options(dir)
	none.Rig = ""
	for _, o := range []Options{none, other} {
		before := contents(t, dir)
		if _, err := Run(t.Context(), gather(t, dir), o); err == nil || errors.Is(err, ErrFailed) {
			t.Errorf("%v", err)
		} else if o.Rig != "" && !strings.Contains(err.Error(), "is no data set") {
			t.Error(err)
		}
		if diff := cmp.Diff(before, contents(t, dir)); diff != "" {
			t.Error(diff)
		}
	}
}

// A folder that is a link is the folder it leads to, and so is one in it that leads elsewhere. What
// is met without the link, or is hidden, is passed over, and so is a link that leads back up.
func TestLinkedFolders(t *testing.T) {
	dir := t.TempDir()
	for _, name := range []string{"disk/day/b.wav", "disk/day/notes.csv", "disk/day/deep.wav/c.npy", "disk/.old/x.wav", "other/a.sigmf-meta"} {
		if err := os.MkdirAll(filepath.Dir(filepath.Join(dir, name)), 0o755); err != nil {
			t.Fatal(err)
		}
		write(t, filepath.Join(dir, name), nil)
	}
	for link, to := range map[string]string{"link": "disk", "disk/more": "../other", "disk/day/up": "..", "disk/latest": "day", "other/round": "../other", "disk/lost.wav": "nowhere", "disk/same.rf64": "day/b.wav"} {
		if err := os.Symlink(filepath.FromSlash(to), filepath.Join(dir, link)); err != nil {
			t.Skip("no links can be made here: ", err)
		}
	}
	var names []string
	for _, rec := range gather(t, filepath.Join(dir, "link")) {
		names = append(names, rec.Name)
		if _, err := os.Stat(rec.Recording); err != nil && rec.Name != "lost" { // which is said when it is solved
			t.Error(err)
		}
	}
	if diff := cmp.Diff([]string{"day/b", "day/deep.wav/c", "lost", "more/a", "same"}, names); diff != "" {
		t.Error(diff)
	}
}

// Two runs on the whole of one list share it: each recording is solved once, and both end
// when all are.
func TestRunsShareAList(t *testing.T) {
	list := gather(t, pieces(t, 6))
	out := filepath.Join(t.TempDir(), "set")
	var results [2]*Result
	var workers sync.WaitGroup
	for i := range results {
		workers.Go(func() {
			o := options(out)
			o.Jobs = 1
			var err error
			if results[i], err = Run(t.Context(), list, o); err != nil {
				t.Error(err)
			}
		})
	}
	workers.Wait()
	if t.Failed() {
		return
	}
	a, b := results[0], results[1]
	if a.Solved+b.Solved != 6 || a.Finished != b.Solved || b.Finished != a.Solved {
		t.Errorf("%+v and %+v of 6 recordings", a, b)
	}
	one := options(filepath.Join(t.TempDir(), "one"))
	mustRun(t, list, one)
	if diff := cmp.Diff(tablesOf(t, one.Out), tablesOf(t, out)); diff != "" {
		t.Error(diff)
	}
}

// A recording that somebody works on is waited for, and done where they let go of it.
func TestAClaimIsWaitedFor(t *testing.T) {
	list := gather(t, pieces(t, 2))
	o := options(filepath.Join(t.TempDir(), "set"))
	set, err := open(o.Out)
	if err != nil {
		t.Fatal(err)
	}
	release, ok, err := set.claim(list[0].Name)
	if !ok || err != nil {
		t.Fatal(ok, err)
	}
	o.Progress = func(_ string, done, _ int64) {
		if done == 1 { // the other one
			release()
		}
	}
	expect(t, mustRun(t, list, o), 2, 0, 0)
	if left, err := os.ReadDir(filepath.Join(o.Out, claims)); err != nil || len(left) > 0 {
		t.Errorf("%v, %v is left", left, err)
	}
}

// A run that is ended says so and keeps what it has.
func TestRunEnded(t *testing.T) {
	list := gather(t, pieces(t, 3))
	o := options(filepath.Join(t.TempDir(), "set"))
	o.Jobs = 1
	ctx, stop := context.WithCancel(t.Context())
	o.Progress = func(_ string, done, _ int64) {
		if done == 1 {
			stop()
		}
	}
	if _, err := Run(ctx, list, o); !errors.Is(err, context.Canceled) {
		t.Fatal(err)
	}
	o.Progress = nil
	expect(t, mustRun(t, list, o), 2, 1, 0)
}

// What a killed run left of a recording goes with its claim, also where the list has it no more; its
// whole tables stay.
func TestLeftOfAKilledRun(t *testing.T) {
	all := gather(t, pieces(t, 2))
	o := options(filepath.Join(t.TempDir(), "set"))
	mustRun(t, all, o)
	stood := contents(t, o.Out)
	for _, name := range []string{"p1", "it is gone"} {
		p := &tables.Partition{Recording: name}
		for _, table := range solve.Tables {
			dir := filepath.Join(o.Out, p.Dir(table))
			if err := os.MkdirAll(dir, 0o755); err != nil {
				t.Fatal(err)
			}
			write(t, filepath.Join(dir, ".part-0.parquet.1234.tonepose.partial"), []byte("PAR1"))
		}
		write(t, filepath.Join(o.Out, claims, tables.EscapePartition(name)), nil)
	}
	mustRun(t, all[:1], o)
	if s := summarised(t, o.Out); !slices.Equal(s.Unlisted, []string{"p1"}) {
		t.Errorf("not in the list are %q", s.Unlisted)
	}
	if left, _ := filepath.Glob(filepath.Join(o.Out, "*", "*gone*")); len(left) > 0 {
		t.Errorf("%q are left", left)
	}
	mustRun(t, all, o) // for the end of the list
	if diff := cmp.Diff(stood, contents(t, o.Out)); diff != "" {
		t.Error(diff)
	}
}
