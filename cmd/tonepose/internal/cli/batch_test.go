package cli

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"tonepose/cmd/tonepose/internal/present"
	"tonepose/cmd/tonepose/internal/tables"
)

// batchList lists 0.3 s of the moving recording under several names.
func batchList(t *testing.T, n int) string {
	t.Helper()
	samples, err := os.ReadFile(recordingFile("pipe-bench-moving.sigmf-data"))
	if err != nil {
		t.Fatal(err)
	}
	meta, err := os.ReadFile(recordingFile("pipe-bench-moving.sigmf-meta"))
	if err != nil {
		t.Fatal(err)
	}
	hash := regexp.MustCompile(`,\s*"core:sha512": *"[0-9a-f]*"`)
	if !hash.Match(meta) {
		t.Fatal("the recording states no hash")
	}
	text := "recording,name,pipe\n"
	for i := range n {
		text += fmt.Sprintf("short.sigmf-meta,r%d,A%d\n", i, i%3)
	}
	list := writeFile(t, "list.csv", text)
	short := filepath.Join(filepath.Dir(list), "short")
	if err := errors.Join(os.WriteFile(short+".sigmf-data", samples[:len(samples)/10], 0o644),
		os.WriteFile(short+".sigmf-meta", hash.ReplaceAll(meta, nil), 0o644)); err != nil {
		t.Fatal(err)
	}
	return list
}

func batchArgs(list, out string, more ...string) []string {
	return append([]string{"batch", list, "--rig", rigFile("pipe-bench.rig.yaml"), "--window", "10ms", "--out", out, "--json"}, more...)
}

func TestBatch(t *testing.T) {
	list, out := batchList(t, 2), filepath.Join(t.TempDir(), "set")
	var sum present.Batched
	if err := json.Unmarshal([]byte(tonepose(t, batchArgs(list, out, "--jobs", "2")...)), &sum); err != nil {
		t.Fatal(err)
	}
	if sum.Recordings != 2 || sum.Solved != 2 || sum.Failed == nil {
		t.Errorf("%+v", sum)
	}
	table := filepath.Join(out, "poses", "recording=r1", "part-0.parquet")
	if csv := tonepose(t, "export", table); !strings.Contains(csv, ",pipe\n") || strings.Count(csv, ",A1\n") != 30 {
		t.Errorf("%.400s: want 30 rows with the label", csv)
	}
	// Where and beside what a recording was solved is no matter of its tables.
	var pairs map[string]string
	if err := json.Unmarshal([]byte(tonepose(t, "export", table, "--metadata", "--format", "json")), &pairs); err != nil {
		t.Fatal(err)
	}
	var options map[string]string
	if err := json.Unmarshal([]byte(pairs["tonepose.options"]), &options); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"out", "jobs", "retry", "json", "quiet"} {
		if _, ok := options[name]; ok {
			t.Errorf("option %s is in the metadata", name)
		}
	}
	if options["window"] != "10ms" || options["rig"] == "" {
		t.Errorf("%v", options)
	}
}

func TestBatchExitCodes(t *testing.T) {
	list := writeFile(t, "list.csv", "recording\nmissing.wav\n")
	for _, c := range []struct {
		args  []string
		code  int
		words string
	}{
		{batchArgs(list, filepath.Join(t.TempDir(), "set")), 1, "1 of 1 recordings failed"},
		{batchArgs("missing.csv", filepath.Join(t.TempDir(), "set")), 2, "no such file"},
		{[]string{"batch", "--out", "x"}, 2, "nothing to solve"},
		{[]string{"batch", list, "--out", filepath.Join(t.TempDir(), "set")}, 2, "no rig is stated for"},
		{batchArgs(list, filepath.Dir(list)), 2, "is no data set"},
	} {
		var errs bytes.Buffer
		code := Run(t.Context(), c.args, Streams{Out: io.Discard, Err: &errs})
		if code != c.code || !strings.Contains(errs.String(), c.words) {
			t.Errorf("%q: exit code %d, %s: want %d and %q", c.args, code, &errs, c.code, c.words)
		}
	}
}

// dataSetFiles are the tables of a data set by their names, how many recordings it says are
// finished, and how many files in it are hidden. It fails where a table does not open, or lacks of what is finished.
func dataSetFiles(t *testing.T, dir string) (all map[string]string, finished, hidden int) {
	t.Helper()
	all = map[string]string{}
	err := filepath.WalkDir(dir, func(path string, e fs.DirEntry, err error) error {
		if err == nil && strings.HasPrefix(e.Name(), ".") {
			hidden++
		}
		if err != nil || filepath.Ext(path) != ".parquet" {
			return err
		}
		d, err := tables.OpenDump(path)
		if err != nil {
			return err
		}
		if err := d.Close(); err != nil {
			return err
		}
		text, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		name, err := filepath.Rel(dir, path)
		all[name] = string(text)
		return err
	})
	if err != nil && !os.IsNotExist(err) {
		t.Fatal(err)
	}
	outcomes, err := filepath.Glob(filepath.Join(dir, "outcomes", "*.json"))
	if err != nil {
		t.Fatal(err)
	}
	for _, o := range outcomes {
		for _, table := range []string{"phasors", "couplings", "poses", "integrity"} {
			name := filepath.Join(table, "recording="+strings.TrimSuffix(filepath.Base(o), ".json"), "part-0.parquet")
			if all[name] == "" {
				t.Fatalf("%s is there, %s is not", o, name)
			}
		}
	}
	return all, len(outcomes), hidden
}

// killedBatch kills a batch after a while and looks at what it left, again and again until
// one comes to its end: the data set is then that of a run that nobody disturbed.
func killedBatch(t *testing.T, list string, whole map[string]string, after func() time.Duration) (kills int) {
	t.Helper()
	out := filepath.Join(t.TempDir(), "set")
	for ; ; kills++ {
		cmd := process(t, batchArgs(list, out)...)
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		timer := time.AfterFunc(after(), func() { cmd.Process.Kill() })
		err := cmd.Wait()
		timer.Stop()
		have, _, hidden := dataSetFiles(t, out)
		for name, rows := range have {
			if rows != whole[name] {
				t.Fatalf("after %d kills %s is another table", kills, name)
			}
		}
		if err == nil {
			if hidden > 0 {
				t.Fatalf("%d hidden files are left of %d runs that were killed", hidden, kills)
			}
			if diff := cmp.Diff(slices.Sorted(maps.Keys(whole)), slices.Sorted(maps.Keys(have))); diff != "" {
				t.Fatal(diff)
			}
			return kills
		}
	}
}

// A batch that is killed leaves no table in half, and the next one goes on with it.
func TestBatchKilled(t *testing.T) {
	list, out := batchList(t, 4), filepath.Join(t.TempDir(), "whole")
	begin := time.Now()
	tonepose(t, batchArgs(list, out)...)
	took := time.Since(begin)
	whole, n, _ := dataSetFiles(t, out)
	if n != 4 {
		t.Fatalf("%d are finished: want 4", n)
	}
	moments := []float64{0.3, 0.5, 0.8}
	killedBatch(t, list, whole, func() time.Duration {
		if len(moments) == 0 {
			return time.Hour
		}
		share := moments[0]
		moments = moments[1:]
		return time.Duration(share * float64(took))
	})
}

// Two processes on one folder share its recordings; of one that is killed the other does what
// it has left.
func TestBatchWorkers(t *testing.T) {
	list, out := batchList(t, 5), filepath.Join(t.TempDir(), "whole")
	begin := time.Now()
	tonepose(t, batchArgs(list, out, "--jobs", "1")...)
	took := time.Since(begin)
	whole, _, _ := dataSetFiles(t, out)
	for _, killed := range []bool{false, true} {
		out := filepath.Join(t.TempDir(), "set")
		first, second := process(t, batchArgs(list, out, "--jobs", "1")...), process(t, batchArgs(list, out, "--jobs", "1")...)
		var said [2]bytes.Buffer
		first.Stdout, second.Stdout = &said[0], &said[1]
		if err := errors.Join(first.Start(), second.Start()); err != nil {
			t.Fatal(err)
		}
		if killed {
			time.Sleep(took / 3)
			first.Process.Kill()
		}
		if err := first.Wait(); err != nil && !killed {
			t.Error(err)
		}
		if err := second.Wait(); err != nil {
			t.Error(err)
		}
		have, _, hidden := dataSetFiles(t, out)
		if diff := cmp.Diff(slices.Sorted(maps.Keys(whole)), slices.Sorted(maps.Keys(have))); diff != "" || hidden > 0 {
			t.Errorf("killed %v: %d hidden files, %s", killed, hidden, diff)
		}
		for name, rows := range have {
			if rows != whole[name] {
				t.Errorf("killed %v: %s is another table", killed, name)
			}
		}
		var a, b present.Batched
		if killed {
			continue
		}
		if err := errors.Join(json.Unmarshal(said[0].Bytes(), &a), json.Unmarshal(said[1].Bytes(), &b)); err != nil || a.Solved+b.Solved != 5 {
			t.Errorf("%v: %d and %d of 5 recordings were solved", err, a.Solved, b.Solved)
		}
	}
}
