//go:build darwin || dragonfly || freebsd || linux || netbsd || openbsd

package files

import (
	"errors"
	"io/fs"
	"os"
	"syscall"
)

// createLocked creates a file that is locked until it is closed, or its run ends however.
func createLocked(name string) (*os.File, error) {
	file, err := os.OpenFile(name, os.O_RDWR|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return nil, err
	}
	// A file system without locks leaves leftovers, as none can be told from a file that is
	// being written.
	err = lock(file)
	if errors.Is(err, syscall.EWOULDBLOCK) || err == nil && !named(file, name) {
		file.Close()
		return nil, errTaken
	}
	return file, nil
}

// lockLeftover opens and locks a file whose run has ended; nil: it lives, or this can't be
// told.
func lockLeftover(name string) *os.File {
	file, err := os.OpenFile(name, os.O_RDWR|syscall.O_NOFOLLOW, 0)
	if errors.Is(err, fs.ErrPermission) || errors.Is(err, syscall.EROFS) {
		file, err = os.OpenFile(name, os.O_RDONLY|syscall.O_NOFOLLOW, 0)
	}
	if err != nil {
		return nil
	}
	if lock(file) != nil || !named(file, name) {
		file.Close()
		return nil
	}
	return file
}

// claim opens a file, new or not, and locks it; nil: another run has it.
func claim(name string) (*os.File, error) {
	for {
		file, err := os.OpenFile(name, os.O_RDWR|os.O_CREATE|syscall.O_NOFOLLOW, 0o666) // others of a group may have to take it over
		if err != nil {
			return nil, err
		}
		// Any other error is of a file system without locks.
		if err := lock(file); errors.Is(err, syscall.EWOULDBLOCK) {
			return nil, file.Close()
		}
		if named(file, name) {
			return file, nil
		}
		file.Close() // who had it took it away just now
	}
}

func lock(file *os.File) error {
	for {
		err := syscall.Flock(int(file.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
		if err != syscall.EINTR {
			return err
		}
	}
}

// named tells whether a file still has its name.
func named(file *os.File, name string) bool {
	have, err := file.Stat()
	if err != nil {
		return false
	}
	there, err := os.Lstat(name)
	return err == nil && os.SameFile(have, there)
}
