package files

import (
	"errors"
	"fmt"
	"io/fs"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"
)

// Names of what is hidden beside NAME end in these, after a number that a run draws: a file
// that is not finished, the journal of a replacement, and what was there before it.
const (
	unfinished  = ".tonepose.partial"   // .NAME.123.tonepose.partial
	replacing   = ".tonepose.replacing" // .123.tonepose.replacing
	beforehand  = ".tonepose.replaced"  // .NAME.123.tonepose.replaced
	mostDigits  = 10
	forgottenIn = time.Hour
)

func asideName(base, id string) string   { return "." + base + "." + id + beforehand }
func journalName(id string) string       { return "." + id + replacing }
func partialName(base, id string) string { return "." + base + "." + id + unfinished }

// hiddenName parses the name of what is hidden: its end and its number.
func hiddenName(name string) (kind, id string, ok bool) {
	for _, kind := range []string{unfinished, replacing, beforehand} {
		stem, ok := strings.CutSuffix(name, kind)
		if !ok || !strings.HasPrefix(stem, ".") {
			continue
		}
		id := stem[strings.LastIndexByte(stem, '.')+1:]
		named := len(stem) > len("..")+len(id)
		if id != "" && len(id) <= mostDigits && strings.Trim(id, "0123456789") == "" && named == (kind != replacing) {
			return kind, id, true
		}
	}
	return "", "", false
}

// Unfinished tells whether a name is one that a run hides a file under until it is whole.
func Unfinished(name string) bool {
	_, _, ok := hiddenName(name)
	return ok
}

// createHidden begins an unfinished file that no other run takes for a leftover.
func createHidden(dir, base string) (*os.File, error) {
	for range 1000 {
		id := strconv.FormatUint(uint64(rand.Uint32()), 10)
		file, err := createLocked(filepath.Join(dir, partialName(base, id)))
		if errors.Is(err, fs.ErrExist) || errors.Is(err, errTaken) {
			continue
		}
		return file, err
	}
	return nil, fmt.Errorf("%s: no free name beside %s", dir, base)
}

// errTaken reports a file that another run took for a leftover before it was locked.
var errTaken = errors.New("taken away")

// Settle puts back what a run that was killed in the middle of a replacement had set aside
// in a directory, so that what is read there is of one run. One that is at it now is
// left alone.
func Settle(dir string) error {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return nil // whoever reads in it will say so
	}
	for _, e := range entries {
		if kind, id, ok := hiddenName(e.Name()); ok && kind == replacing {
			if err := settle(dir, id); err != nil {
				return fmt.Errorf("%s: a run was killed while it replaced files here, and what was there before cannot be put back: %w", dir, err)
			}
		}
	}
	return nil
}

// settle undoes the replacement of a journal, unless its run still lives.
func settle(dir, id string) error {
	name := filepath.Join(dir, journalName(id))
	file := lockLeftover(name)
	if file == nil {
		return nil
	}
	defer file.Close()
	r, err := readReplacement(dir, id)
	if errors.Is(err, fs.ErrNotExist) {
		return nil // another run was faster
	}
	if err != nil {
		return err
	}
	if err := r.undo(); err != nil {
		return err
	}
	return os.Remove(name)
}

// sweep takes away what killed runs left in a directory.
func sweep(dir string) error {
	if err := Settle(dir); err != nil {
		return err
	}
	entries, err := os.ReadDir(dir)
	if err != nil {
		return nil // creating a file in it will say so
	}
	for _, e := range entries {
		kind, id, ok := hiddenName(e.Name())
		if !ok || !e.Type().IsRegular() {
			continue
		}
		name := filepath.Join(dir, e.Name())
		switch kind {
		case unfinished:
			removeLeftover(name)
		case beforehand: // of no use without the journal, which is the first to come and to go
			if _, err := os.Lstat(filepath.Join(dir, journalName(id))); errors.Is(err, fs.ErrNotExist) {
				os.Remove(name)
			}
		}
	}
	return nil
}

// removeLeftover removes an unfinished file, unless its run still lives.
func removeLeftover(name string) {
	if file := lockLeftover(name); file != nil {
		os.Remove(name)
		file.Close()
	}
}

// sweepFolders takes away folders of Temporary whose runs were killed.
func sweepFolders(prefix string) {
	folders, err := filepath.Glob(filepath.Join(os.TempDir(), prefix+"-*"))
	if err != nil {
		return
	}
	for _, dir := range folders {
		info, err := os.Lstat(dir)
		if err != nil || !info.IsDir() {
			continue
		}
		living, err := filepath.Glob(filepath.Join(dir, "."+"running.*"+unfinished))
		forgotten := len(living) == 0 && time.Since(info.ModTime()) > forgottenIn
		for _, name := range living {
			file := lockLeftover(name)
			if forgotten = file != nil; forgotten {
				file.Close()
			}
		}
		if err == nil && forgotten {
			os.RemoveAll(dir)
		}
	}
}
