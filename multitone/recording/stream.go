package recording

import (
	"fmt"
	"io"
	"os"
)

// openStream makes a stream readable twice: standard input that is a regular file is read in place, anything else is
// spooled to a temporary file that has no name any more, so that nothing is left behind even after a crash.
func openStream(in io.Reader, name string, opt Options) (*Reader, error) {
	if f, ok := in.(*os.File); ok {
		if st, err := f.Stat(); err == nil && st.Mode().IsRegular() {
			if at, err := f.Seek(0, io.SeekCurrent); err == nil && at == 0 {
				return openFile(borrowed{f}, name, st.Size(), opt)
			}
		}
	}
	f, err := os.CreateTemp("", "tonepose-*")
	if err != nil {
		return nil, fmt.Errorf("%s: no place for a temporary copy (set TMPDIR): %w", name, err)
	}
	s := &spool{File: f}
	if os.Remove(f.Name()) != nil {
		s.left = f.Name() // a system that keeps the name of an open file
	}
	size, err := io.CopyBuffer(struct{ io.Writer }{f}, struct{ io.Reader }{in}, make([]byte, 1<<20))
	if err != nil {
		s.Close()
		return nil, fmt.Errorf("%s: copying %d bytes to a temporary file (set TMPDIR to a larger place): %w", name, size, err)
	}
	return openFile(s, name, size, opt)
}

// borrowed is a file that its owner closes.
type borrowed struct{ *os.File }

func (borrowed) Close() error { return nil }

// spool is a temporary file; left is its name where it could not be removed while open.
type spool struct {
	*os.File
	left string
}

func (s *spool) Close() error {
	err := s.File.Close()
	if s.left != "" {
		os.Remove(s.left)
	}
	return err
}
