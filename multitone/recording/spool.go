package recording

import (
	"context"
	"fmt"
	"io"
	"os"
	"runtime"
)

// openStream makes a stream readable twice: standard input that is a regular file is read in place, anything else is
// spooled to a temporary file that has no name any more, so that nothing is left behind even after a crash.
func openStream(ctx context.Context, in io.Reader, name string, opt Options) (*Reader, error) {
	if f, ok := in.(*os.File); ok {
		if st, err := f.Stat(); err == nil && st.Mode().IsRegular() {
			if at, err := f.Seek(0, io.SeekCurrent); err == nil && at == 0 {
				return openFile(ctx, stdinFile{f}, name, st.Size(), opt)
			}
		}
	}
	f, err := os.CreateTemp("", "tonepose-*")
	if err != nil {
		return nil, fmt.Errorf("%s: no room for a temporary copy (set %s): %w", name, temporary(), err)
	}
	s := &spool{File: f}
	if os.Remove(f.Name()) != nil {
		s.left = f.Name() // a system that keeps the name of an open file
	}
	size, err := io.CopyBuffer(struct{ io.Writer }{f}, until(ctx, in), make([]byte, streamBytes))
	switch {
	case ctx.Err() != nil:
		s.Close()
		return nil, ctx.Err()
	case err != nil:
		s.Close()
		return nil, fmt.Errorf("%s: copying %d bytes to a temporary file (set %s to a larger place): %w", name, size, temporary(), err)
	}
	return openFile(ctx, s, name, size, opt)
}

// temporary is the variable that says where temporary files go.
func temporary() string {
	if runtime.GOOS == "windows" {
		return "TMP"
	}
	return "TMPDIR"
}

// stdinFile is standard input that is a regular file: its owner closes it.
type stdinFile struct{ *os.File }

func (stdinFile) Close() error { return nil }

// spool is a temporary file; left is its name where it could not be removed while open.
type spool struct {
	*os.File
	left string
}

// pipe is a named pipe, opened when it is first read: that waits for who writes into it.
type pipe struct {
	name string
	file *os.File
}

func (p *pipe) Read(b []byte) (int, error) {
	if p.file == nil {
		var err error
		if p.file, err = os.Open(p.name); err != nil {
			return 0, err
		}
	}
	n, err := p.file.Read(b)
	if err != nil {
		p.file.Close()
	}
	return n, err
}

func (s *spool) Close() error {
	err := s.File.Close()
	if s.left != "" {
		os.Remove(s.left)
	}
	return err
}

// streamBytes is read from a stream at a time.
const streamBytes = 1 << 20

// until reads in until its context ends: a read then returns the context's error at once, also while in gives nothing,
// as a pipe that nobody writes into. What in still gives after that is lost.
func until(ctx context.Context, in io.Reader) io.Reader {
	return &untilEnd{ctx: ctx, in: in, buffer: make([]byte, streamBytes), done: make(chan struct{}, 1)}
}

type untilEnd struct {
	ctx    context.Context
	in     io.Reader
	buffer []byte
	rest   []byte // of what was read
	err    error  // that came with it
	done   chan struct{}
}

func (u *untilEnd) Read(b []byte) (int, error) {
	if err := u.ctx.Err(); err != nil {
		return 0, err
	}
	if len(u.rest) == 0 && u.err == nil {
		go func() {
			n, err := u.in.Read(u.buffer)
			u.rest, u.err = u.buffer[:n], err
			u.done <- struct{}{}
		}()
		select {
		case <-u.done:
		case <-u.ctx.Done():
			return 0, u.ctx.Err()
		}
	}
	n := copy(b, u.rest)
	if u.rest = u.rest[n:]; n == 0 {
		return 0, u.err
	}
	return n, nil
}
