package cli

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
)

// absent refuses a file that is there already.
func absent(name string, force bool) error {
	if _, err := os.Stat(name); err == nil && !force {
		return fmt.Errorf("%s: exists: name another file, or add --force", name)
	}
	return nil
}

// writeWhole writes a file that appears whole or not at all.
func writeWhole(name string, data []byte) error {
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
