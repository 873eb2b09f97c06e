package files

import (
	"cmp"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"syscall"
)

// Errors of Windows for a disk, and for a file, that took all it could (winerror.h of its
// software development kit, from memory).
const (
	windowsHandleDiskFull = syscall.Errno(39)
	windowsDiskFull       = syscall.Errno(112)
)

// NoRoom tells whether an error says that a disk has no room left, or that its user may
// have no more of it, and for which file: the name that it would have had once it was
// whole, "standard output", or "" where the error does not tell.
func NoRoom(err error) (name string, full bool) {
	var code syscall.Errno
	if !errors.As(err, &code) {
		return "", false
	}
	full = code == syscall.ENOSPC || code == syscall.EDQUOT
	if runtime.GOOS == "windows" {
		full = full || code == windowsDiskFull || code == windowsHandleDiskFull
	}
	if !full {
		return "", false
	}
	var path *fs.PathError
	if !errors.As(err, &path) {
		return "", true
	}
	return placeName(path.Path), true
}

// Obstacle says of an error that a disk or a right is what stands in the way, of which file,
// and what mends it; empty: it says something else.
func Obstacle(err error) string {
	if name, full := NoRoom(err); full {
		return cmp.Or(name, "output") + ": no room left on the disk, or no more of it allowed: free some, or name another place"
	}
	var path *fs.PathError
	if !errors.As(err, &path) {
		return ""
	}
	switch name := placeName(path.Path); {
	case errors.Is(path.Err, syscall.EFBIG):
		return name + ": larger than its file system or a limit (ulimit -f) lets a file be: name another place, or raise the limit"
	case errors.Is(path.Err, syscall.EROFS):
		return name + ": on a file system that cannot be written to: name another place"
	case errors.Is(path.Err, fs.ErrPermission):
		doing := path.Op
		if doing == "mkdir" {
			doing = "make"
		}
		return fmt.Sprintf("%s: this user may not %s it: allow that, or name another place", name, doing)
	}
	return ""
}

// Unprinted tells whether an error is that of writing to standard output.
func Unprinted(err error) bool {
	var path *fs.PathError
	return errors.As(err, &path) && path.Path == os.Stdout.Name()
}

// Words are those of an error: of what stands in the way, or its own, with the names that
// files will have in place of those that hide them until then.
func Words(err error) string {
	if words := Obstacle(err); words != "" {
		return words
	}
	words := err.Error()
	for _, name := range paths(err) {
		words = strings.ReplaceAll(words, name, placeName(name))
	}
	return words
}

// paths are the names in the errors of the system that an error is made of.
func paths(err error) (names []string) {
	switch e := err.(type) {
	case *fs.PathError:
		return []string{e.Path}
	case *os.LinkError:
		return []string{e.Old, e.New}
	case interface{ Unwrap() error }:
		return paths(e.Unwrap())
	case interface{ Unwrap() []error }:
		for _, part := range e.Unwrap() {
			names = append(names, paths(part)...)
		}
	}
	return names
}

// placeName is what a reader knows a file by: standard output, or its shown name.
func placeName(name string) string {
	if name == os.Stdout.Name() {
		return "standard output"
	}
	return shownName(name)
}

// shownName is the name that an unfinished file will have, the folder of what never has one,
// and any other name as it is.
func shownName(name string) string {
	dir, base := filepath.Split(name)
	kind, id, ok := hiddenName(base)
	switch {
	case !ok:
		return name
	case isJournal(kind), base == scratchName(id), base == hiddenJournalName(id), base == runningName(id):
		return filepath.Clean(dir)
	}
	stem := strings.TrimSuffix(strings.TrimSuffix(base, kind), "."+id)
	return filepath.Join(dir, strings.TrimPrefix(stem, "."))
}
