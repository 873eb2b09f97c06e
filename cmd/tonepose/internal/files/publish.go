package files

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
)

// replacement is how files of one folder get their names in one step. While it is under
// way its journal is in the folder: who finds one that no run is at undoes what it says.
// Once the journal is gone the new files are there, and what is left of those before them
// is of no use.
//
// A folder's only file, if it replaces none, gets its name in one step of the system, and
// needs no journal.
type replacement struct {
	dir, id string
	journal *os.File // open as long as the run is at it; nil: none is needed
	Moves   []move   `json:"files"`
}

// move is what happens to a name.
type move struct {
	Final  string `json:"name"`
	Hidden string `json:"hidden,omitempty"` // of the new file before; empty: the name goes
	Old    bool   `json:"old,omitempty"`    // a file has the name already
}

// at is told the next change of a name: tests end a run there.
var at = func(step string) {}

// publish gives the files of the batch their names, and removes the obsolete ones.
func (b *Batch) publish() error {
	for _, s := range b.staged { // somebody may have been faster
		if err := refuse(s.final, b.Force); err != nil {
			return err
		}
	}
	if len(b.staged) == 1 && len(b.obsolete) == 0 { // the system replaces a single file in one step
		s := b.staged[0]
		err := process.publish(b, func() error {
			at("rename")
			return os.Rename(s.file.Name(), s.final)
		})
		if err != nil {
			return err
		}
		return syncDir(filepath.Dir(s.final))
	}
	all, err := b.replacements()
	defer func() {
		for _, journal := range b.journals {
			os.Remove(journal.Name()) // it has another name, or has never been one
			journal.Close()
		}
	}()
	if err != nil {
		return err
	}
	return process.publish(b, func() error { return show(all) })
}

// publish shows a batch, unless Abandon came before.
func (p *running) publish(b *Batch, show func() error) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.ended {
		return ErrAbandoned
	}
	if err := show(); err != nil {
		return err
	}
	p.finished(b)
	return nil
}

// replacements are those of a batch, folder by folder, their journals written and not yet
// shown.
func (b *Batch) replacements() (all []*replacement, err error) {
	of := map[string]*replacement{}
	add := func(final, hidden string) error {
		dir := filepath.Dir(final)
		r := of[dir]
		if r == nil {
			r = &replacement{dir: dir}
			all, of[dir] = append(all, r), r
		}
		_, err := os.Lstat(final)
		if errors.Is(err, fs.ErrNotExist) && hidden == "" {
			return nil
		}
		r.Moves = append(r.Moves, move{filepath.Base(final), hidden, err == nil})
		if errors.Is(err, fs.ErrNotExist) {
			err = nil
		}
		return err
	}
	// The one that was created first, and may name the others, is the last to be seen.
	for _, s := range slices.Backward(b.staged) {
		err = errors.Join(err, add(s.final, filepath.Base(s.file.Name())))
	}
	for _, name := range b.obsolete {
		err = errors.Join(err, add(name, ""))
	}
	for _, r := range all {
		if len(r.Moves) > 1 || len(r.Moves) == 1 && r.Moves[0].Old {
			err = errors.Join(err, r.write(b))
		}
	}
	return all, err
}

// write writes the journal under a name that says nothing yet.
func (r *replacement) write(b *Batch) (err error) {
	r.journal, err = process.create(b, r.dir, "replacing", func(f *os.File) { b.journals = append(b.journals, f) })
	if err != nil {
		return err
	}
	_, r.id, _ = hiddenName(filepath.Base(r.journal.Name()))
	if err := json.NewEncoder(r.journal).Encode(r); err != nil {
		return err
	}
	return errors.Join(r.journal.Chmod(0o644), r.journal.Sync())
}

// readReplacement reads a journal.
func readReplacement(dir, id string) (*replacement, error) {
	name := filepath.Join(dir, journalName(id))
	text, err := os.ReadFile(name)
	if err != nil {
		return nil, err
	}
	r := &replacement{dir: dir, id: id}
	if err := json.Unmarshal(text, r); err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	for _, m := range r.Moves {
		if m.Final != filepath.Base(m.Final) || m.Hidden != "" && m.Hidden != filepath.Base(m.Hidden) {
			return nil, fmt.Errorf("%s: names a file of another folder: remove it by hand", name)
		}
	}
	return r, nil
}

// show carries replacements out, all or none.
func show(all []*replacement) error {
	for _, stage := range []func(*replacement) error{
		(*replacement).begin, (*replacement).setAside, (*replacement).rename, func(r *replacement) error { return syncDir(r.dir) },
	} {
		for _, r := range all {
			if err := stage(r); err != nil {
				undo(all)
				return err
			}
		}
	}
	for _, r := range all {
		r.forget()
	}
	for _, r := range all {
		r.clear()
	}
	return nil
}

// undo leaves all as it was. A journal whose folder does not allow that stays for others.
func undo(all []*replacement) {
	for _, r := range all {
		if r.undo() == nil {
			r.forget()
		}
	}
}

func (r *replacement) path(name string) string { return filepath.Join(r.dir, name) }
func (r *replacement) aside(m *move) string    { return r.path(asideName(m.Final, r.id)) }

// begin shows the journal.
func (r *replacement) begin() error {
	if r.journal == nil {
		return nil
	}
	at("begin")
	if err := os.Rename(r.journal.Name(), r.path(journalName(r.id))); err != nil {
		return err
	}
	return syncDir(r.dir)
}

func (r *replacement) setAside() error {
	for i := range r.Moves {
		if m := &r.Moves[i]; m.Old {
			at("set aside")
			if err := os.Rename(r.path(m.Final), r.aside(m)); err != nil {
				return err
			}
		}
	}
	return nil
}

func (r *replacement) rename() error {
	for _, m := range r.Moves {
		if m.Hidden != "" {
			at("rename")
			if err := os.Rename(r.path(m.Hidden), r.path(m.Final)); err != nil {
				return err
			}
		}
	}
	return nil
}

// undo puts back what was there before, whatever was done of the replacement, and also if it
// was undone in part already.
func (r *replacement) undo() error {
	var failed error
	for i := range r.Moves {
		m := &r.Moves[i]
		at("undo")
		var err error
		if m.Old {
			err = os.Rename(r.aside(m), r.path(m.Final))
		} else if _, still := os.Lstat(r.path(m.Hidden)); errors.Is(still, fs.ErrNotExist) {
			err = os.Remove(r.path(m.Final)) // it had got its name
		}
		if !errors.Is(err, fs.ErrNotExist) {
			failed = errors.Join(failed, err)
		}
	}
	return failed
}

// forget makes what was done final, or what was undone.
func (r *replacement) forget() {
	if r.id != "" {
		at("forget")
		os.Remove(r.path(journalName(r.id)))
	}
}

// clear removes what was there before.
func (r *replacement) clear() {
	for i := range r.Moves {
		if m := &r.Moves[i]; m.Old {
			at("clear")
			os.Remove(r.aside(m))
		}
	}
}
