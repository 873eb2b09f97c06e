package files

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
)

func TestNoRoom(t *testing.T) {
	in := func(name string, err error) error {
		return fmt.Errorf("some page: %w", &fs.PathError{Op: "write", Path: name, Err: err})
	}
	for _, c := range []struct {
		err  error
		name string
		full bool
	}{
		{in(filepath.Join("out", partialName("poses.parquet", "1234")), syscall.ENOSPC), filepath.Join("out", "poses.parquet"), true},
		{errors.Join(in(partialName(".hidden.v1.csv", "7"), syscall.EDQUOT), errors.New("another")), ".hidden.v1.csv", true},
		{in("rows.csv", syscall.ENOSPC), "rows.csv", true},
		{in(os.Stdout.Name(), syscall.ENOSPC), "standard output", true},
		{syscall.ENOSPC, "", true},
		{in("rows.csv", syscall.EACCES), "", false},
		{errors.New("no space left on device"), "", false},
		{nil, "", false},
	} {
		if name, full := NoRoom(c.err); name != c.name || full != c.full {
			t.Errorf("NoRoom(%v) = %q, %t, want %q, %t", c.err, name, full, c.name, c.full)
		}
	}
}

func TestObstacle(t *testing.T) {
	hidden := filepath.Join("out", partialName("r.html", "1234"))
	for _, c := range []struct {
		err  error
		want string
	}{
		{&fs.PathError{Op: "open", Path: hidden, Err: syscall.EROFS}, filepath.Join("out", "r.html") + ": on a file system that cannot be written to: name another place"},
		{fmt.Errorf("a table: %w", &fs.PathError{Op: "mkdir", Path: "out", Err: syscall.EACCES}), "out: this user may not make it: allow that, or name another place"},
		{syscall.ENOSPC, "output: no room left on the disk, or no more of it allowed: free some, or name another place"},
		{&fs.PathError{Op: "write", Path: filepath.Join("out", scratchName("7")), Err: syscall.EFBIG}, "out: larger than its file system or a limit (ulimit -f) lets a file be: name another place, or raise the limit"},
		{&fs.PathError{Op: "write", Path: os.Stdout.Name(), Err: syscall.EFBIG}, "standard output: larger than its file system or a limit (ulimit -f) lets a file be: name another place, or raise the limit"},
		{&fs.PathError{Op: "open", Path: "x", Err: syscall.ENOENT}, ""},
		{errors.New("permission denied"), ""},
	} {
		if words := Obstacle(c.err); words != c.want {
			t.Errorf("of %v: %q, want %q", c.err, words, c.want)
		}
	}
}

// A name that hides a file is nobody's: an error says which file, or which folder, it is about.
func TestWordsNameNoHiddenFile(t *testing.T) {
	in := func(hidden string) string { return filepath.Join("my out", hidden) }
	open := func(hidden string) error { return &fs.PathError{Op: "open", Path: in(hidden), Err: syscall.EMFILE} }
	for _, c := range []struct {
		err  error
		want string
	}{
		{errors.Join(fmt.Errorf("figures: %w (kept)", open(partialName("a b.svg", "1"))), open(journalName("2"))),
			"figures: open " + in("a b.svg") + ": too many open files (kept)\nopen my out: too many open files"},
		{open(scratchName("3")), "open my out: too many open files"},
		{&os.LinkError{Op: "rename", Old: in(partialName("a.svg", "4")), New: in("a.svg"), Err: syscall.EIO}, "rename " + in("a.svg") + " " + in("a.svg") + ": input/output error"},
		{fmt.Errorf("x: %w", &fs.PathError{Op: "open", Path: in("a.svg"), Err: syscall.EROFS}), in("a.svg") + ": on a file system that cannot be written to: name another place"},
		{errors.New("no path"), "no path"},
	} {
		if words := Words(c.err); words != c.want {
			t.Errorf("of %v: %q, want %q", c.err, words, c.want)
		}
	}
}

// A device that is always full is the outside here: Linux documents it in full(4).
func TestNoRoomOnAFullDevice(t *testing.T) {
	full, err := os.OpenFile("/dev/full", os.O_WRONLY, 0)
	if err != nil {
		t.Skip("no /dev/full here: ", err)
	}
	defer full.Close()
	_, err = full.WriteString("x")
	if name, ok := NoRoom(err); !ok || name != "/dev/full" {
		t.Errorf("NoRoom(%v) = %q, %t", err, name, ok)
	}
}

func TestStandardStreamIsNoResult(t *testing.T) {
	t.Chdir(t.TempDir())
	err := WriteFile("-", []byte("x"))
	if err == nil || !strings.Contains(err.Error(), "./-") {
		t.Errorf("a file -: %v", err)
	}
	if _, err := Into("-", true); err == nil || !strings.Contains(err.Error(), "./-") {
		t.Errorf("a directory -: %v", err)
	}
	if err := WriteFile("./-", []byte("x")); err != nil {
		t.Errorf("a file ./-: %v", err)
	}
}
