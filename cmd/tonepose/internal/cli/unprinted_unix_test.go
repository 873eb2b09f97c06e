//go:build unix

package cli

import (
	"bytes"
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// Where files are there and standard output takes no more, the call was right: a scheduler
// that gives up at 2 must not. Linux documents /dev/full in full(4).
func TestUnprintedIsNoWrongCall(t *testing.T) {
	t.Parallel()
	full, err := os.OpenFile("/dev/full", os.O_WRONLY, 0)
	if err != nil {
		t.Skip("no /dev/full here: ", err)
	}
	defer full.Close()
	dir := t.TempDir()
	const words = "tonepose: error: standard output: no room left on the disk, or no more of it allowed: free some, or name another place"
	for _, c := range []struct {
		args []string
		file string
		code int
		want string
	}{
		{[]string{"simulate", "pair", "bridge", "--duration", "100ms", "--out", "pair.csv"}, "pair.csv", 1, words + " (what came before it is kept)\n"},
		{[]string{"rig", "schema"}, "", 2, words + "\n"},
	} {
		p := process(t, c.args...)
		if p.Path, err = filepath.Abs(p.Path); err != nil {
			t.Fatal(err)
		}
		var errs bytes.Buffer
		p.Dir, p.Stdout, p.Stderr = dir, full, &errs
		var exit *exec.ExitError
		if err := p.Run(); !errors.As(err, &exit) || exit.ExitCode() != c.code || !strings.HasSuffix(errs.String(), c.want) {
			t.Errorf("%v: %v, %s; want code %d and %s", c.args, err, &errs, c.code, c.want)
		}
		if c.file != "" {
			if _, err := os.Stat(filepath.Join(dir, c.file)); err != nil {
				t.Errorf("%v: %v", c.args, err)
			}
		}
	}
}

// A limit of the size of files, or a file system that has one, is said in words, under the name
// that the file would have had.
func TestTooLargeAFileIsSaidInWords(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	program, err := filepath.Abs(os.Args[0])
	if err != nil {
		t.Fatal(err)
	}
	p := process(t, "simulate", "pair", "bridge", "--out", "pair.csv")
	sh, err := exec.LookPath("sh")
	if err != nil {
		t.Skip("no shell here: ", err)
	}
	p.Path, p.Args = sh, []string{"sh", "-c", `ulimit -f 8; exec "$0"`, program}
	var errs bytes.Buffer
	p.Dir, p.Stderr = dir, &errs
	err = p.Run()
	var exit *exec.ExitError
	want := "tonepose: error: pair.csv: larger than its file system or a limit (ulimit -f) lets a file be: name another place, or raise the limit\n"
	if !errors.As(err, &exit) || exit.ExitCode() != 2 || !strings.HasSuffix(errs.String(), want) {
		t.Errorf("%v, %s; want code 2 and %s", err, &errs, want)
	}
	if left, _ := os.ReadDir(dir); len(left) > 0 {
		t.Errorf("left behind: %v", left)
	}
}
