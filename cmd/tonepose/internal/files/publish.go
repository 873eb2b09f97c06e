package files

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"sync"
)

// Files of a set get their names in one step by a journal that says which, and that is shown
// once all of them are on the disk: from then on the set is there. Whoever finds a journal
// that no run is at gives the rest their names. Until then the set is not there, and what is
// hidden of it is a leftover.
//
// Of a set in several folders each has a journal of its own files, and those of the others
// follow that of the first one: without it they say nothing, as the set is not there or was
// shown wholly.
//
// The same holds where the machine loses power, as far as the system flushes a new file with its name,
// and keeps the order of changes of names in a folder (file systems with a journal
// do). All files and journals are flushed before the one that decides is shown; its folder is
// flushed before any name changes; those of the others before it goes.

// replacement is what happens to the names of one folder.
type replacement struct {
	dir     string
	name    string   // of its journal, where it was read
	journal *os.File // open as long as the run is at it; nil: none is needed
	Moves   []*move  `json:"files"`
	Follows string   `json:"follows,omitempty"`   // the journal that decides, as this folder sees it; empty: this one
	Others  []string `json:"followers,omitempty"` // of the journal that decides
}

// move is what happens to a name.
type move struct {
	Final  string `json:"name"`
	Hidden string `json:"hidden,omitempty"` // of the new file before; empty: the name goes
	Aside  string `json:"aside,omitempty"`  // of the file that has the name; empty: none has

	away, shown bool
}

// at is told the next change of a name, and what is flushed: tests end a run there.
var at = func(step string, names ...string) {}

// wait returns once a file, or the names in a folder, are on the disk.
var wait = (*os.File).Sync

// publish gives the files of batches their names, and removes the obsolete ones.
func publish(batches []*Batch) error {
	set, err := newSet(batches)
	if err == nil {
		err = flushFiles(batches)
	}
	if err == nil {
		err = process.publish(batches, set.show)
	}
	set.close()
	return err
}

// publish shows a set, unless Abandon came before.
func (p *running) publish(batches []*Batch, show func() error) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.ended {
		return ErrAbandoned
	}
	if err := show(); err != nil {
		return err
	}
	for _, b := range batches {
		p.finished(b)
	}
	return nil
}

// set is all that appears in one step: one replacement a folder. Where journals are needed
// the first one decides.
type set struct {
	batches []*Batch
	all     []*replacement
}

// newSet finds out what happens to names, and writes the journals.
func newSet(batches []*Batch) (*set, error) {
	s := &set{batches: batches}
	of, taken := map[string]*replacement{}, map[string]bool{}
	names, needed := 0, false
	add := func(final, hidden string) error {
		switch {
		case taken[final] && hidden == "":
			return nil
		case taken[final]:
			return fmt.Errorf("%s: two outputs have this name: name another for one of them", final)
		}
		taken[final] = true
		dir := filepath.Dir(final)
		_, err := os.Lstat(final)
		there := err == nil
		if err != nil && !errors.Is(err, fs.ErrNotExist) {
			return err
		}
		if !there && hidden == "" {
			return nil
		}
		r := of[dir]
		if r == nil {
			r = &replacement{dir: dir}
			s.all, of[dir] = append(s.all, r), r
		}
		m := &move{Final: filepath.Base(final), Hidden: hidden}
		if there {
			m.Aside = m.Final // until its journal has a number
		}
		r.Moves = append(r.Moves, m)
		names++
		needed = needed || there || len(r.Moves) > 1
		return nil
	}
	for _, b := range batches {
		// The one that was created first, and may name the others, is the last to be seen.
		for _, f := range slices.Backward(b.staged) {
			err := refuse(f.final, b.Force) // somebody may have been faster
			if err == nil {
				err = add(f.final, filepath.Base(f.file.Name()))
			}
			if err != nil {
				return s, err
			}
		}
		for _, name := range b.obsolete {
			if err := add(name, ""); err != nil {
				return s, err
			}
		}
	}
	// The system replaces a single file in one step. Files that are each alone in a folder,
	// and replace none, are a set when all are there.
	if single := names == 1 && s.all[0].Moves[0].Hidden != ""; single || !needed {
		return s, nil
	}
	return s, s.write()
}

// write writes the journals: the one that decides under a name that says nothing yet.
func (s *set) write() error {
	create := func(r *replacement, name func(id string) string) (id string, err error) {
		owner := s.batches[0]
		if r.journal, err = process.create(owner, r.dir, name, func(f *os.File) { owner.journals = append(owner.journals, f) }); err != nil {
			return "", err
		}
		_, id, _ = hiddenName(filepath.Base(r.journal.Name()))
		for _, m := range r.Moves {
			if m.Aside != "" {
				m.Aside = asideName(m.Final, id)
			}
		}
		return id, nil
	}
	first := s.all[0]
	id, err := create(first, hiddenJournalName)
	if err != nil {
		return err
	}
	for _, r := range s.all[1:] {
		if _, err := create(r, followingName); err != nil {
			return err
		}
		there, back, err := between(first.dir, r.dir)
		if err != nil {
			return err
		}
		first.Others = append(first.Others, filepath.ToSlash(filepath.Join(there, filepath.Base(r.journal.Name()))))
		r.Follows = filepath.ToSlash(filepath.Join(back, journalName(id)))
	}
	for _, r := range s.all {
		if err := json.NewEncoder(r.journal).Encode(r); err != nil {
			return err
		}
	}
	return nil
}

// between are the ways from one folder to another and back, which hold as long as both move
// together.
func between(a, b string) (there, back string, err error) {
	for _, dir := range []*string{&a, &b} {
		if *dir, err = filepath.Abs(*dir); err == nil {
			*dir, err = filepath.EvalSymlinks(*dir)
		}
		if err != nil {
			return "", "", err
		}
	}
	there, err = filepath.Rel(a, b)
	if err != nil { // another drive
		return b, a, nil
	}
	back, err = filepath.Rel(b, a)
	return there, back, err
}

// close ends the claim on the journals. Those that still stand were not decided on: Abort
// takes them away.
func (s *set) close() {
	for _, r := range s.all {
		if r.journal != nil {
			r.journal.Close()
		}
	}
}

// show names the files, all or none.
func (s *set) show() error {
	if len(s.all) == 0 {
		return nil
	}
	decides := s.all[0].journal != nil
	err := s.decide()
	for _, stage := range []func(*replacement) error{(*replacement).setAside, (*replacement).rename} {
		for _, r := range s.all {
			if err == nil {
				err = stage(r)
			}
		}
	}
	if err == nil {
		unflushed := s.all
		if decides { // its folder has been flushed, and what follows there counts with the journal or without it
			unflushed = unflushed[1:]
		}
		err = flushFolders(unflushed)
	}
	if err != nil {
		return s.undo(err)
	}
	s.forget()
	return nil
}

// decide shows the journal that decides: from now on the set is there, though it may need
// others to get its names.
func (s *set) decide() error {
	first := s.all[0]
	if first.journal == nil {
		return nil
	}
	_, id, _ := hiddenName(filepath.Base(first.journal.Name()))
	if err := rename("decide", first.journal.Name(), first.path(journalName(id))); err != nil {
		return err
	}
	return flushFolders(s.all[:1])
}

// path is that of a name in the folder, or of a way from it.
func (r *replacement) path(name string) string {
	if name = filepath.FromSlash(name); filepath.IsAbs(name) {
		return name
	}
	return filepath.Join(r.dir, name)
}

// setAside keeps the earlier files, for undo: where names are not guarded by a journal there
// are none that would be missed.
func (r *replacement) setAside() error {
	for _, m := range r.Moves {
		if m.Aside != "" && r.journal != nil {
			if err := rename("set aside", r.path(m.Final), r.path(m.Aside)); err != nil {
				return err
			}
			m.away = true
		}
	}
	return nil
}

func (r *replacement) rename() error {
	for _, m := range r.Moves {
		if m.Hidden != "" {
			if err := rename("rename", r.path(m.Hidden), r.path(m.Final)); err != nil {
				return err
			}
			m.shown = true
		}
	}
	return nil
}

// undo leaves all as it was before, after an error. Where a folder does not even allow that, the set
// stays as it is for others, who may be able to show it.
func (s *set) undo(why error) error {
	var failed error
	for _, r := range slices.Backward(s.all) {
		for _, m := range slices.Backward(r.Moves) {
			if m.shown {
				failed = errors.Join(failed, rename("undo", r.path(m.Final), r.path(m.Hidden)))
			}
			if m.away {
				failed = errors.Join(failed, rename("undo", r.path(m.Aside), r.path(m.Final)))
			}
		}
	}
	if failed == nil {
		s.forget()
		return errors.Join(why, flushFolders(s.all))
	}
	for _, b := range s.batches {
		b.leave()
	}
	return fmt.Errorf("%w, and the files before cannot be put back: %w", why, failed)
}

// forget takes the journals away, the one that decides first, and what was set aside.
func (s *set) forget() {
	for _, r := range s.all {
		if r.journal == nil {
			continue
		}
		name := r.journal.Name()
		if r.Follows == "" {
			_, id, _ := hiddenName(filepath.Base(name))
			name = r.path(journalName(id))
		}
		remove("forget", name)
	}
	for _, r := range s.all {
		for _, m := range r.Moves {
			if m.away {
				remove("clear", r.path(m.Aside))
			}
		}
	}
}

func rename(step, from, to string) error {
	at(step, from, to)
	return os.Rename(from, to)
}

func remove(step, name string) error {
	at(step, name)
	return os.Remove(name)
}

// flushFiles has all files and journals on the disk, readable by everyone.
func flushFiles(batches []*Batch) error {
	var list []*os.File
	for _, b := range batches {
		for _, s := range b.staged {
			list = append(list, s.file)
		}
		list = append(list, b.journals...)
	}
	names := make([]string, len(list))
	for i, f := range list {
		names[i] = f.Name()
	}
	at("flush files", names...)
	return sideBySide(list, func(f *os.File) error { return errors.Join(f.Chmod(0o644), wait(f)) })
}

// flushFolders has the names in folders on the disk.
func flushFolders(list []*replacement) error {
	names := make([]string, len(list))
	for i, r := range list {
		names[i] = r.dir
	}
	at("flush folders", names...)
	return sideBySide(names, syncDir)
}

// sideBySide does with all of a list what waits for the disk: the system can write them
// together.
func sideBySide[T any](list []T, do func(T) error) error {
	const most = 16
	failed := make([]error, len(list))
	free := make(chan struct{}, most)
	var all sync.WaitGroup
	for i, v := range list {
		free <- struct{}{}
		all.Go(func() {
			failed[i] = do(v)
			<-free
		})
	}
	all.Wait()
	return errors.Join(failed...)
}
