//go:build unix

package cli

import (
	"bytes"
	"context"
	"io"
	"maps"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"
)

// A batch beside one that is at work with other options, or other labels, is refused: each would
// take the other's tables for old ones. Once that has ended there is no hindrance.
func TestBatchesDoNotMix(t *testing.T) {
	list, out := batchList(t, 3), filepath.Join(t.TempDir(), "set")
	other := filepath.Join(filepath.Dir(list), "other.csv")
	if err := os.WriteFile(other, []byte("recording,name,floor\nshort.sigmf-meta,r0,1\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	first := process(t, batchArgs(list, out, "--jobs", "1")...)
	if err := first.Start(); err != nil {
		t.Fatal(err)
	}
	defer first.Process.Kill() // one that is stopped would stay
	deadline := time.Now().Add(time.Minute)
	// Until it is at work on a recording: before, others may have to wait for it.
	for at := []string(nil); len(at) == 0 && time.Now().Before(deadline); time.Sleep(time.Millisecond) {
		at, _ = filepath.Glob(filepath.Join(out, "claims", "r[0-9]*"))
	}
	first.Process.Signal(syscall.SIGSTOP)
	for _, args := range [][]string{batchArgs(list, out, "--robust", "huber"), batchArgs(other, out)} {
		var errs bytes.Buffer
		if code := Run(t.Context(), args, Streams{Out: io.Discard, Err: &errs}); code != 2 || !strings.Contains(errs.String(), "another batch is at work in it") {
			t.Errorf("%v: exit code %d, %s", args, code, &errs)
		}
	}
	first.Process.Signal(syscall.SIGCONT)
	if err := first.Wait(); err != nil {
		t.Error(err)
	}
	whole := filepath.Join(t.TempDir(), "whole")
	tonepose(t, batchArgs(list, whole)...)
	want, _, _ := dataSetFiles(t, whole)
	if have, _, _ := dataSetFiles(t, out); !maps.Equal(have, want) {
		t.Error("tables of another run are among those of the first")
	}
	tonepose(t, batchArgs(list, out, "--robust", "huber")...)
	if have, n, _ := dataSetFiles(t, out); n != 3 || maps.Equal(have, want) {
		t.Errorf("%d are finished of a run with other options, or its tables are the old ones", n)
	}
}

// What can't be read again fails at once: a pipe that nobody writes into holds up no batch.
func TestBatchOfAPipe(t *testing.T) {
	dir := t.TempDir()
	if err := syscall.Mkfifo(filepath.Join(dir, "pipe.wav"), 0o600); err != nil {
		t.Skip("no named pipe can be made here: ", err)
	}
	var errs bytes.Buffer
	ctx, stop := context.WithTimeout(t.Context(), time.Minute)
	defer stop()
	if code := Run(ctx, batchArgs(dir, filepath.Join(dir, "set")), Streams{Out: io.Discard, Err: &errs}); code != 1 || !strings.Contains(errs.String(), "pipe.wav: is no file") {
		t.Errorf("exit code %d, %s", code, &errs)
	}
}

// A rig that is edited while a batch is at work makes a data set of two rigs: that is said, the list
// has not ended, and the same command has all of one.
func TestRigEditedMeanwhile(t *testing.T) {
	list, out := batchList(t, 3), filepath.Join(t.TempDir(), "set")
	text, err := os.ReadFile(rigFile("pipe-bench.rig.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	own := writeFile(t, "own.rig.yaml", string(text))
	args := append(batchArgs(list, out, "--jobs", "1"), "--rig", own)
	var errs bytes.Buffer
	first := process(t, args...)
	first.Stderr = &errs
	if err := first.Start(); err != nil {
		t.Fatal(err)
	}
	defer first.Process.Kill() // one that is stopped would stay
	deadline := time.Now().Add(time.Minute)
	for done := []string(nil); len(done) == 0 && time.Now().Before(deadline); time.Sleep(time.Millisecond) {
		done, _ = filepath.Glob(filepath.Join(out, "outcomes", "*.json"))
	}
	first.Process.Signal(syscall.SIGSTOP)
	if err := os.WriteFile(own, append(text, "# measured anew\n"...), 0o600); err != nil {
		t.Fatal(err)
	}
	if ended, _ := filepath.Glob(filepath.Join(out, "shards", "*")); len(ended) > 0 {
		t.Skip("the batch was at its end before the rig could be edited")
	}
	first.Process.Signal(syscall.SIGCONT)
	if err := first.Wait(); first.ProcessState.ExitCode() != 1 || !strings.Contains(errs.String(), own+" changed while the batch was at work: run it again") {
		t.Errorf("%v: %s", err, &errs)
	}
	errs.Reset()
	if code := Run(t.Context(), []string{"batch", out, "--summary"}, Streams{Out: io.Discard, Err: &errs}); code != 1 || !strings.Contains(errs.String(), "the whole list") {
		t.Errorf("exit code %d of a summary: %s", code, &errs)
	}
	tonepose(t, args...)
	tonepose(t, "batch", out, "--summary")
	whole := filepath.Join(t.TempDir(), "whole")
	tonepose(t, append(batchArgs(list, whole), "--rig", own)...)
	want, _, _ := dataSetFiles(t, whole)
	if have, _, _ := dataSetFiles(t, out); !maps.Equal(have, want) {
		t.Error("not all tables are of the edited rig")
	}
}
