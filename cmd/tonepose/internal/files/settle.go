package files

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
)

// Settle gives their names to the files of a set that a run was killed at while it showed it,
// so that what is read in a directory is of one run. A set that a run is at now is left
// alone.
func Settle(dir string) error {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return nil // whoever reads in it will say so
	}
	for _, e := range entries {
		kind, _, ok := hiddenName(e.Name())
		if !ok || !e.Type().IsRegular() {
			continue
		}
		name := filepath.Join(dir, e.Name())
		switch kind {
		case following:
			err = follow(name)
		case replacing:
			err = settle(name)
		}
		if err != nil {
			return fmt.Errorf("%s: a run was killed while it named its files here, and they cannot be given their names now: %w: mend this, then try again", dir, err)
		}
	}
	return nil
}

// follow settles the set of a journal that follows another.
func follow(name string) error {
	r, err := readReplacement(name)
	if errors.Is(err, fs.ErrNotExist) {
		return nil // another run was faster
	}
	if err == nil {
		decides := r.path(r.Follows)
		if kind, _, ok := hiddenName(filepath.Base(decides)); ok && kind == replacing && r.followedBy(decides, name) {
			return settle(decides)
		}
	}
	// Without the other journal, or not yet written, it says nothing.
	removeLeftover(name)
	return nil
}

// followedBy tells whether the journal that decides names another as its follower.
func (r *replacement) followedBy(decides, name string) bool {
	of, err := readReplacement(decides)
	if err != nil {
		return !errors.Is(err, fs.ErrNotExist) // settle says what is wrong with it
	}
	for _, other := range of.Others {
		if same(of.path(other), name) {
			return true
		}
	}
	return false
}

func same(a, b string) bool {
	x, err := os.Lstat(a)
	if err != nil {
		return false
	}
	y, err := os.Lstat(b)
	return err == nil && os.SameFile(x, y)
}

// settle shows the set of a journal that decides, unless its run still lives.
func settle(name string) error {
	file := lockLeftover(name)
	if file == nil {
		return nil
	}
	defer file.Close()
	first, err := readReplacement(name)
	if errors.Is(err, fs.ErrNotExist) {
		return nil // another run was faster
	}
	if err != nil {
		return err
	}
	all := []*replacement{first}
	for _, other := range first.Others {
		r, err := readReplacement(first.path(other))
		switch {
		case errors.Is(err, fs.ErrNotExist): // its files have their names
			continue
		case err != nil:
			return err
		case same(r.path(r.Follows), name): // else it is of another set, as in a copy of a folder
			all = append(all, r)
		}
	}
	for _, r := range all {
		if err := r.complete(); err != nil {
			return err
		}
	}
	if err := flushFolders(all[1:]); err != nil {
		return err
	}
	for _, r := range all {
		remove("forget", r.name)
		for _, m := range r.Moves {
			if m.Aside != "" {
				remove("clear", r.path(m.Aside))
			}
		}
	}
	return nil
}

// complete names what is still hidden, and takes away what is to go.
func (r *replacement) complete() error {
	for _, m := range r.Moves {
		var err error
		if m.Hidden != "" {
			err = rename("rename", r.path(m.Hidden), r.path(m.Final))
		} else {
			err = remove("rename", r.path(m.Final))
		}
		if err != nil && !errors.Is(err, fs.ErrNotExist) {
			return err
		}
	}
	return nil
}

// readReplacement reads a journal.
func readReplacement(name string) (*replacement, error) {
	text, err := os.ReadFile(name)
	if err != nil {
		return nil, err
	}
	r := &replacement{dir: filepath.Dir(name), name: name}
	if err := json.Unmarshal(text, r); err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	for _, m := range r.Moves {
		for _, file := range []string{m.Final, m.Hidden, m.Aside} {
			if file != "" && (file != filepath.Base(file) || file == "." || file == "..") {
				return nil, fmt.Errorf("%s: names a file of another folder: remove it by hand", name)
			}
		}
	}
	return r, nil
}
