package whole

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
)

// Outputs are files that appear all or none: hidden beside their final names
// until Commit.
type Outputs struct {
	Force bool // replace existing files
	files []hiddenFile
}

type hiddenFile struct {
	f     *os.File
	final string
}

// Create begins a file. An existing one is refused, unless force is set.
func (o *Outputs) Create(final string) (*os.File, error) {
	if _, err := os.Lstat(final); err == nil && !o.Force {
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

// Text creates a file and writes it whole.
func (o *Outputs) Text(final string, write func(io.Writer) error) error {
	f, err := o.Create(final)
	if err != nil {
		return err
	}
	return write(f)
}

// Commit gives the files their names, in the order of their creation reversed:
// the one that names the others comes first in creation and last in sight.
func (o *Outputs) Commit() error {
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

// Abort removes what was not committed.
func (o *Outputs) Abort() {
	for _, h := range o.files {
		h.f.Close()
		os.Remove(h.f.Name())
	}
	o.files = nil
}
