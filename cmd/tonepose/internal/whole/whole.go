// Package whole writes files that appear whole or not at all.
package whole

import (
	"errors"
	"os"
	"path/filepath"
)

// WriteFile writes a file, or replaces one, readable by all: hidden beside its
// final name until the data are on the disk.
func WriteFile(name string, data []byte) error {
	hidden, err := os.CreateTemp(filepath.Dir(name), "."+filepath.Base(name)+".*.partial")
	if err != nil {
		return err
	}
	_, err = hidden.Write(data)
	err = errors.Join(err, hidden.Chmod(0o644), hidden.Sync(), hidden.Close())
	if err == nil {
		err = os.Rename(hidden.Name(), name)
	}
	if err != nil {
		os.Remove(hidden.Name())
	}
	return err
}
