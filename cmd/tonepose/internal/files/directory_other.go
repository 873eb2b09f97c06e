//go:build !windows

package files

import (
	"errors"
	"io/fs"
	"os"
)

// syncDir makes the names durable where the system can sync a directory.
func syncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	defer d.Close()
	if err := wait(d); err != nil && !errors.Is(err, errors.ErrUnsupported) && !errors.Is(err, fs.ErrInvalid) {
		return err
	}
	return nil
}
