package pipeline

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
)

// outputs are files that appear all or none: hidden beside their final names
// until commit.
type outputs struct {
	force bool
	files []hiddenFile
}

type hiddenFile struct {
	f     *os.File
	final string
}

// create begins a file. An existing one is refused, unless force is set.
func (o *outputs) create(final string) (*os.File, error) {
	if _, err := os.Lstat(final); err == nil && !o.force {
		return nil, fmt.Errorf("%s exists: name another output, or add --force to replace it", final)
	} else if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return nil, err
	}
	f, err := os.CreateTemp(filepath.Dir(final), "."+filepath.Base(final)+".*.partial")
	if err != nil {
		return nil, err
	}
	o.files = append(o.files, hiddenFile{f, final})
	return f, nil
}

// text creates a file and writes it whole.
func (o *outputs) text(final string, write func(io.Writer) error) error {
	f, err := o.create(final)
	if err != nil {
		return err
	}
	return write(f)
}

// commit gives the files their names, in the order of their creation reversed:
// the one that names the others comes first in creation and last in sight.
func (o *outputs) commit() error {
	for _, h := range o.files {
		if err := errors.Join(h.f.Chmod(0o644), h.f.Sync(), h.f.Close()); err != nil {
			return err
		}
	}
	for i := len(o.files) - 1; i >= 0; i-- {
		h := o.files[i]
		if err := os.Rename(h.f.Name(), h.final); err != nil {
			for _, done := range o.files[i+1:] {
				os.Remove(done.final)
			}
			return err
		}
	}
	o.files = nil
	return nil
}

// abort removes what was not committed.
func (o *outputs) abort() {
	for _, h := range o.files {
		h.f.Close()
		os.Remove(h.f.Name())
	}
	o.files = nil
}
