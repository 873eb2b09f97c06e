package files

import (
	"errors"
	"io/fs"
	"os"
	"syscall"
)

const shareAll = syscall.FILE_SHARE_READ | syscall.FILE_SHARE_WRITE | syscall.FILE_SHARE_DELETE

// createLocked creates a file that can be renamed and removed while it is open. That it is
// open to be written tells other runs not to touch it.
func createLocked(name string) (*os.File, error) {
	return open(name, syscall.GENERIC_READ|syscall.GENERIC_WRITE, shareAll, syscall.CREATE_NEW)
}

// lockLeftover opens a file whose run has ended, so that no other can: sharing no writing
// fails while anybody has it open for that. nil: it lives, or this can't be told.
func lockLeftover(name string) *os.File {
	file, err := open(name, syscall.GENERIC_READ|syscall.GENERIC_WRITE, syscall.FILE_SHARE_READ|syscall.FILE_SHARE_DELETE, syscall.OPEN_EXISTING)
	if err != nil {
		return nil
	}
	return file
}

// claim opens a file, new or not, so that no other run can; nil: another has it.
func claim(name string) (*os.File, error) {
	file, err := open(name, syscall.GENERIC_READ|syscall.GENERIC_WRITE, syscall.FILE_SHARE_DELETE, syscall.OPEN_ALWAYS)
	if errors.Is(err, errSharing) || errors.Is(err, fs.ErrPermission) { // that it is being deleted is no permission
		return nil, nil
	}
	return file, err
}

// errSharing is ERROR_SHARING_VIOLATION.
const errSharing = syscall.Errno(32)

func open(name string, access, share, how uint32) (*os.File, error) {
	path, err := syscall.UTF16PtrFromString(name)
	if err != nil {
		return nil, &os.PathError{Op: "open", Path: name, Err: err}
	}
	handle, err := syscall.CreateFile(path, access, share, nil, how, syscall.FILE_ATTRIBUTE_NORMAL, 0)
	if err != nil {
		return nil, &os.PathError{Op: "open", Path: name, Err: err}
	}
	return os.NewFile(uintptr(handle), name), nil
}
