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
// that is not finished, the journal of a set, one that follows that of another folder, and
// what was there before.
const (
	unfinished  = ".tonepose.partial"   // .NAME.123.tonepose.partial
	replacing   = ".tonepose.replacing" // .123.tonepose.replacing
	following   = ".tonepose.following" // .123.tonepose.following
	beforehand  = ".tonepose.replaced"  // .NAME.123.tonepose.replaced
	mostDigits  = 10
	forgottenIn = time.Hour
)

func asideName(base, id string) string   { return "." + base + "." + id + beforehand }
func journalName(id string) string       { return "." + id + replacing }
func followingName(id string) string     { return "." + id + following }
func partialName(base, id string) string { return "." + base + "." + id + unfinished }
func hiddenJournalName(id string) string { return partialName("replacing", id) }
func scratchName(id string) string       { return partialName("scratch", id) }
func runningName(id string) string       { return partialName("running", id) }

// hiddenName parses the name of what is hidden: its end and its number.
func hiddenName(name string) (kind, id string, ok bool) {
	for _, kind := range []string{unfinished, replacing, following, beforehand} {
		stem, ok := strings.CutSuffix(name, kind)
		if !ok || !strings.HasPrefix(stem, ".") {
			continue
		}
		id := stem[strings.LastIndexByte(stem, '.')+1:]
		named := len(stem) > len("..")+len(id)
		if id != "" && len(id) <= mostDigits && strings.Trim(id, "0123456789") == "" && named != isJournal(kind) {
			return kind, id, true
		}
	}
	return "", "", false
}

func isJournal(kind string) bool { return kind == replacing || kind == following }

// Unfinished tells whether a name is one that a run hides a file under until it is whole.
func Unfinished(name string) bool {
	_, _, ok := hiddenName(name)
	return ok
}

// createHidden begins a file under a hidden name that no other run takes for a leftover.
func createHidden(dir string, hidden func(id string) string) (*os.File, error) {
	for range 1000 {
		name := filepath.Join(dir, hidden(strconv.FormatUint(uint64(rand.Uint32()), 10)))
		at("create", name)
		file, err := createLocked(name)
		if errors.Is(err, fs.ErrExist) || errors.Is(err, errTaken) {
			continue
		}
		return file, err
	}
	return nil, fmt.Errorf("%s: no free name for a hidden file", dir)
}

// errTaken reports a file that another run took for a leftover before it was locked.
var errTaken = errors.New("taken away")

// sweep takes away what killed runs left in a directory.
func sweep(dir string) error {
	if err := Settle(dir); err != nil {
		return err
	}
	entries, err := os.ReadDir(dir)
	if err != nil {
		return nil // creating a file in it will say so
	}
	var hidden []os.DirEntry
	for _, e := range entries {
		kind, _, ok := hiddenName(e.Name())
		if !ok || !e.Type().IsRegular() {
			continue
		}
		if isJournal(kind) {
			return nil // some run is naming files here: those that are still hidden are no leftovers
		}
		hidden = append(hidden, e)
	}
	for _, e := range hidden {
		name := filepath.Join(dir, e.Name())
		if kind, _, _ := hiddenName(e.Name()); kind == beforehand { // of no use without the journal
			os.Remove(name)
			continue
		}
		removeLeftover(name)
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
