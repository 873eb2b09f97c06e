package batch

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path"
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

// naming says where a recording is given a name, for messages: one that was met in a folder is in no
// list yet.
func (rec *Recording) naming() string {
	if rec.File == "" {
		return "in the column name of a CSV that lists the recordings, in the place of the folder"
	}
	return "in the list's column name"
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
	root, err := filepath.EvalSymlinks(dir)
	if err != nil {
		return nil, err
	}
	err = walk(dir, "", root, nil, func(path, name string) {
		if slices.Contains(endings, strings.ToLower(filepath.Ext(path))) {
			list = append(list, tables.Listed{Recording: path, Name: stem(name)})
		}
	})
	if err == nil && len(list) == 0 {
		err = fmt.Errorf("%s: no recording in it (%s): name another folder, or list files of other names in a CSV", dir, strings.Join(endings, ", "))
	}
	return list, err
}

// walk calls each with the files below a folder, and with their names from the first one on. What
// is hidden is passed over. Links to folders elsewhere are followed, as recordings are often on
// another disk; one to a folder below root, as "latest", would name its recordings twice.
func walk(dir, name, root string, above []fs.FileInfo, each func(path, name string)) error {
	here, err := os.Stat(dir)
	if err != nil {
		return err
	}
	if slices.ContainsFunc(above, func(other fs.FileInfo) bool { return os.SameFile(here, other) }) {
		return nil // a link that leads back up
	}
	entries, err := os.ReadDir(dir)
	if err != nil {
		return err
	}
	for _, e := range entries {
		if strings.HasPrefix(e.Name(), ".") {
			continue
		}
		at, below := filepath.Join(dir, e.Name()), path.Join(name, e.Name())
		folder := e.IsDir()
		if e.Type()&fs.ModeSymlink != 0 {
			info, err := os.Stat(at)
			if folder = err == nil && info.IsDir(); folder {
				to, err := filepath.EvalSymlinks(at)
				if err != nil {
					return err
				}
				if rel, err := filepath.Rel(root, to); err == nil && filepath.IsLocal(rel) {
					continue
				}
			}
		}
		if !folder {
			each(at, below)
		} else if err := walk(at, below, root, append(slices.Clone(above), here), each); err != nil {
			return err
		}
	}
	return nil
}

// distinct refuses recordings that would share a partition, on file systems too that take
// upper and lower case for the same.
func distinct(all []Recording) error {
	first := map[string]int{}
	labels := all[0].Labels
	for i := range all {
		rec := &all[i]
		if rec.Name == "" || !utf8.ValidString(rec.Name) {
			return fmt.Errorf("%s: %q gives no name that a data set can have: give one in UTF-8 %s", rec.At(), rec.Recording, rec.naming())
		}
		if n := len(tables.EscapePartition(rec.Name)); n > mostName {
			return fmt.Errorf("%s: name %q has %d bytes as a directory's name: at most %d are allowed: give a shorter one %s", rec.At(), rec.Name, n, mostName, rec.naming())
		}
		key := strings.ToLower(rec.Name)
		if k, ok := first[key]; ok {
			return fmt.Errorf("%s: name %q, which %s has too: give each its own %s", rec.At(), rec.Name, all[k].At(), rec.naming())
		}
		first[key] = i
		if !slices.EqualFunc(labels, rec.Labels, func(a, b tables.Label) bool { return a.Name == b.Name }) {
			return fmt.Errorf("%s: has other labels than %s: the tables of a data set have the same columns", rec.At(), all[0].At())
		}
	}
	return nil
}
