package cli

import (
	"bufio"
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"tonepose/cmd/tonepose/internal/files"
	"tonepose/cmd/tonepose/internal/tables"
)

func liveMoving(dir string, more ...string) []string {
	return append([]string{"live", "play:" + recordingFile("pipe-bench-moving.sigmf-meta"), "--rig", rigFile("pipe-bench.rig.yaml"),
		"--window", "10ms", "--pace", "max", "--part", "200ms", "--out", dir, "--rows", "csv", "--quiet"}, more...)
}

// liveParts are the rows of each part of a directory, and fails where one does not open.
func liveParts(t *testing.T, dir string) (parts [][]tables.Pose) {
	t.Helper()
	if err := files.Settle(dir); err != nil { // as every reader does before it looks
		t.Fatal(err)
	}
	names, err := filepath.Glob(filepath.Join(dir, tables.PosesName+"-*.parquet"))
	if err != nil {
		t.Fatal(err)
	}
	for i, name := range names {
		if want := fmt.Sprintf("%s-%06d.parquet", tables.PosesName, i+1); filepath.Base(name) != want {
			t.Fatalf("%s: want %s", name, want)
		}
		r, err := tables.Open[tables.Pose](name)
		if err != nil {
			t.Fatal(err)
		}
		var rows []tables.Pose
		for row, err := range r.All() {
			if err != nil {
				t.Fatal(err)
			}
			rows = append(rows, row)
		}
		r.Close()
		parts = append(parts, rows)
	}
	return parts
}

// killed follows the moving probe in a process that is killed after so many rows, goes on
// with it, and compares what was kept with a run that nothing interrupted.
func killed(t *testing.T, whole [][]tables.Pose, after int) {
	t.Helper()
	dir := t.TempDir()
	c := process(t, liveMoving(dir)...)
	out, err := c.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	lines, shown := bufio.NewScanner(out), -1 // the first line is the header
	for shown < after && lines.Scan() {
		shown++
	}
	if err := c.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	for lines.Scan() {
		shown++
	}
	c.Wait()
	kept := liveParts(t, dir)
	rows := 0
	for i := range kept {
		if diff := cmp.Diff(whole[i], kept[i], cmpopts.IgnoreFields(tables.Live{}, "Latency"), cmpopts.EquateNaNs()); diff != "" {
			t.Errorf("killed after %d rows, part %d: %.500s", shown, i+1, diff)
		}
		rows += len(kept[i])
	}
	// Rows that were shown and are not kept are of one part: 20 windows of 10 ms.
	if shown > rows+20 {
		t.Errorf("killed after %d rows: %d are kept", shown, rows)
	}
	again := process(t, liveMoving(dir)...)
	again.Stdout, again.Stderr = nil, os.Stderr
	if err := again.Run(); err != nil {
		t.Fatal(err)
	}
	all := liveParts(t, dir)
	if len(all) != len(kept)+len(whole) && len(all) != len(kept)+len(whole)+1 { // times go on within a part
		t.Errorf("%d parts after %d of the run that was killed", len(all), len(kept))
	}
	total := 0
	for _, p := range all {
		total += len(p)
	}
	if total != rows+300 {
		t.Errorf("%d rows after %d of the run that was killed and 300", total, rows)
	}
	if hidden, _ := filepath.Glob(filepath.Join(dir, ".*")); len(hidden) > 0 {
		t.Errorf("left behind: %v", hidden)
	}
}

// wholeRun is the parts of a run that nothing interrupts.
func wholeRun(t *testing.T) [][]tables.Pose {
	t.Helper()
	dir := t.TempDir()
	var out, errs bytes.Buffer
	if code := Run(t.Context(), liveMoving(dir), Streams{In: strings.NewReader(""), Out: &out, Err: &errs}); code != 0 || strings.Count(out.String(), "\n") != 301 {
		t.Fatalf("code %d, %d lines, %s", code, strings.Count(out.String(), "\n"), errs.String())
	}
	return liveParts(t, dir)
}

// A run that is killed keeps every part that has a name, and loses no more than the one
// that was being filled; another goes on with it.
func TestLiveKilled(t *testing.T) {
	whole := wholeRun(t)
	for _, after := range []int{1, 61, 250} {
		killed(t, whole, after)
	}
}
