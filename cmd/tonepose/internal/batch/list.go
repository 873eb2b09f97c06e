package batch

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"unicode/utf8"

	"tonepose/cmd/tonepose/internal/tables"
)

// Recording is a recording to be solved, with a name of its own.
type Recording struct{ tables.Listed }

// At says where a recording was met, for messages.
func (rec *Recording) At() string {
	if at := rec.Listed.At(); at != "" {
		return at
	}
	return rec.Recording
}

// endings are those of files that are recordings beyond doubt. A CSV in a folder may be
// anything.
var endings = []string{".sigmf-meta", ".sigmf", ".wav", ".rf64", ".bw64", ".npy"}

// mostName is how long the name of a recording can be, as its directory's name has it: file
// systems allow 255 bytes a name, and the data set adds to it.
const mostName = 200

// Gather makes one list of lists of recordings and of folders, which stand for the
// recordings in them and in their folders. Names that lists do not state are those of the
// files without their endings, in folders with the folders below the one that was given.
func Gather(from []string) (all []Recording, err error) {
	for _, name := range from {
		info, err := os.Stat(name)
		if errors.Is(err, fs.ErrNotExist) {
			return nil, fmt.Errorf("%s: no such file: name a CSV that lists recordings, or a folder of them", name)
		}
		if err != nil {
			return nil, err
		}
		var list []tables.Listed
		if info.IsDir() {
			list, err = inFolder(name)
		} else {
			list, err = tables.ReadListing(name)
		}
		if err != nil {
			return nil, err
		}
		for _, l := range list {
			if l.Name == "" {
				l.Name = stem(filepath.Base(l.Recording))
			}
			all = append(all, Recording{l})
		}
	}
	return all, distinct(all)
}

func stem(file string) string { return strings.TrimSuffix(file, filepath.Ext(file)) }

// inFolder finds recordings below a folder, in the order of their names.
func inFolder(dir string) (list []tables.Listed, err error) {
	err = filepath.WalkDir(dir, func(path string, e fs.DirEntry, err error) error {
		switch {
		case err != nil:
			return err
		case strings.HasPrefix(e.Name(), ".") && path != dir:
			if e.IsDir() {
				return fs.SkipDir
			}
			return nil
		case e.IsDir() || !slices.Contains(endings, strings.ToLower(filepath.Ext(path))):
			return nil
		}
		name, err := filepath.Rel(dir, path)
		list = append(list, tables.Listed{Recording: path, Name: stem(filepath.ToSlash(name))})
		return err
	})
	if err == nil && len(list) == 0 {
		err = fmt.Errorf("%s: no recording in it (%s): name another folder, or list files of other names in a CSV", dir, strings.Join(endings, ", "))
	}
	return list, err
}

// distinct refuses recordings that would share a partition, on file systems too that take
// upper and lower case for the same.
func distinct(all []Recording) error {
	first := map[string]int{}
	labels := all[0].Labels
	for i := range all {
		rec := &all[i]
		if rec.Name == "" || !utf8.ValidString(rec.Name) {
			return fmt.Errorf("%s: %q gives no name that a data set can have: give one in UTF-8 in the list's column name", rec.At(), rec.Recording)
		}
		if n := len(tables.EscapePartition(rec.Name)); n > mostName {
			return fmt.Errorf("%s: name %q has %d bytes as a directory's name: at most %d are allowed: give a shorter one in the list's column name", rec.At(), rec.Name, n, mostName)
		}
		key := strings.ToLower(rec.Name)
		if k, ok := first[key]; ok {
			return fmt.Errorf("%s: name %q, which %s has too: give each its own in the list's column name", rec.At(), rec.Name, all[k].At())
		}
		first[key] = i
		if !slices.EqualFunc(labels, rec.Labels, func(a, b tables.Label) bool { return a.Name == b.Name }) {
			return fmt.Errorf("%s: has other labels than %s: the tables of a data set have the same columns", rec.At(), all[0].At())
		}
	}
	return nil
}
