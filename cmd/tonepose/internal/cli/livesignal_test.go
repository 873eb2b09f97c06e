package cli

import (
	"bufio"
	"bytes"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"tonepose/cmd/tonepose/internal/tables"
)

// stalled follows the first second of the moving probe in a process of its own, whose
// standard input then stays open and gives nothing more. It returns when all windows of
// what came are shown.
func stalled(t *testing.T, dir string, stderr io.Writer) *exec.Cmd {
	t.Helper()
	samples, err := os.ReadFile(recordingFile("pipe-bench-moving.sigmf-data"))
	if err != nil {
		t.Fatal(err)
	}
	c := process(t, "live", "-", "--format", "ri16_le", "--rig", rigFile("pipe-bench.rig.yaml"), "--window", "10ms", "--rows", "csv", "--out", dir)
	c.Stderr = stderr
	in, err := c.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	out, err := c.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	const window = 1000 * 4 * 2 // bytes of 10 ms of 4 channels
	lines := bufio.NewScanner(out)
	shown := -1 // the first line is the header
	for fed := range 100 {
		if _, err := in.Write(samples[fed*window : (fed+1)*window]); err != nil {
			t.Fatal(err)
		}
		if fed < 25 { // the clock is captured from 20
			continue
		}
		for shown < fed+1 && lines.Scan() { // a line for each window: none is skipped
			shown++
		}
	}
	return c
}

// keptParts tells whether the parts of a directory have their names, and how many rows
// there are.
func keptParts(t *testing.T, dir string) (rows int, whole bool) {
	t.Helper()
	hidden, err := filepath.Glob(filepath.Join(dir, ".*"))
	if err != nil {
		t.Fatal(err)
	}
	for _, part := range liveParts(t, dir) {
		rows += len(part)
	}
	integrity, err := filepath.Glob(filepath.Join(dir, tables.IntegrityName+"-*.parquet"))
	if err != nil {
		t.Fatal(err)
	}
	return rows, len(hidden) == 0 && len(integrity) > 0
}

// The first interrupt completes the part and prints the summary, whether the source sends
// more or not.
func TestLiveEndsWithASignal(t *testing.T) {
	for _, signal := range []os.Signal{os.Interrupt, syscall.SIGTERM, syscall.SIGHUP} {
		dir := t.TempDir()
		var errs bytes.Buffer
		c := stalled(t, dir, &errs)
		if err := c.Process.Signal(signal); err != nil {
			t.Fatal(err)
		}
		if err := c.Wait(); err != nil {
			t.Errorf("%v: %v, %s", signal, err, errs.String())
		}
		if rows, whole := keptParts(t, dir); rows != 100 || !whole {
			t.Errorf("%v: %d rows kept, parts whole: %v, want 100", signal, rows, whole)
		}
		if !strings.Contains(errs.String(), "100 windows") {
			t.Errorf("%v: no summary: %s", signal, errs.String())
		}
	}
}

// The second ends the process at once, whatever the first waits for: here for a reader of
// the summary that does not read.
func TestLiveEndsAtOnceWithASecondSignal(t *testing.T) {
	r, w, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	defer w.Close()
	// Until the pipe holds no byte more.
	for size := 4096; size > 0; {
		w.SetWriteDeadline(time.Now().Add(10 * time.Millisecond))
		if _, err := w.Write(make([]byte, size)); err != nil {
			size /= 2
		}
	}
	dir := t.TempDir()
	c := stalled(t, dir, w)
	if err := c.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	for whole := false; !whole; time.Sleep(time.Millisecond) {
		_, whole = keptParts(t, dir)
	}
	ended := make(chan error, 1)
	go func() { ended <- c.Wait() }()
	for {
		c.Process.Signal(syscall.SIGTERM)
		select {
		case <-ended:
			if code := c.ProcessState.ExitCode(); code != 128+int(syscall.SIGTERM) {
				t.Errorf("ended with %v, not by the signal", c.ProcessState)
			}
			if rows, _ := keptParts(t, dir); rows != 100 {
				t.Errorf("%d rows kept, want 100", rows)
			}
			return
		case <-time.After(time.Millisecond):
		}
	}
}

// One that is ended while it waits for what describes the samples ends in good order, too,
// whatever the signal.
func TestLiveEndsWithASignalBeforeItBegins(t *testing.T) {
	for _, signal := range endingSignals {
		c := process(t, "live", "-", "--format", "wav", "--rig", rigFile("pipe-bench.rig.yaml"), "--window", "10ms", "--out", filepath.Join(t.TempDir(), "out"))
		var errs bytes.Buffer
		c.Stderr = &errs
		in, err := c.StdinPipe()
		if err != nil {
			t.Fatal(err)
		}
		defer in.Close()
		if err := c.Start(); err != nil {
			t.Fatal(err)
		}
		// More of a chunk before the samples than a pipe holds: what is written was read.
		head := append([]byte("RIFF\xff\xff\xff\x7fWAVEjunk\x00\x00\x08\x00"), make([]byte, 1<<18)...)
		if _, err := in.Write(head); err != nil {
			t.Fatal(err)
		}
		if err := c.Process.Signal(signal); err != nil {
			t.Fatal(err)
		}
		if err := c.Wait(); err != nil || errs.String() != "tonepose: interrupted, nothing written\n" {
			t.Errorf("%v: %v, %q", signal, err, errs.String())
		}
	}
}

// A stream that brings no sample leaves no recording, and an earlier one as it was.
func TestLiveKeepsNothingOfNoSamples(t *testing.T) {
	dir := t.TempDir()
	files := []string{filepath.Join(dir, "kept.sigmf-meta"), filepath.Join(dir, "kept.sigmf-data")}
	for _, name := range files {
		if err := os.WriteFile(name, []byte("earlier"), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	for _, name := range []string{"kept", "none"} {
		var errs bytes.Buffer
		code := Run(t.Context(), []string{"live", "-", "--format", "ri16_le", "--rig", rigFile("pipe-bench.rig.yaml"), "--window", "10ms", "--record", filepath.Join(dir, name), "--force"},
			Streams{In: strings.NewReader(""), Out: io.Discard, Err: &errs})
		if code == 0 {
			t.Errorf("%s: exit code 0 without a sample", name)
		}
	}
	for _, name := range files {
		if text, err := os.ReadFile(name); err != nil || string(text) != "earlier" {
			t.Errorf("%s: %q, %v", name, text, err)
		}
	}
	if all, _ := filepath.Glob(filepath.Join(dir, "*")); len(all) != 2 {
		t.Errorf("%v", all)
	}
}
