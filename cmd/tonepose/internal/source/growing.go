package source

import (
	"cmp"
	"context"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"time"

	"tonepose/multitone/recording"
)

// idleDefault ends a growing file.
const idleDefault = 5 * time.Second

// openGrowing reads a file that another program still writes, from its first sample on: of a SigMF recording that of the
// data.
func openGrowing(ctx context.Context, _, path string, o Options) (Source, error) {
	described, err := recording.NewGrowing(path, o.Reading)
	if err != nil {
		return nil, err
	}
	if described != nil {
		path, o.Reading = described.Data, described.Options
	}
	// First, as opening a pipe waits for somebody who writes to it.
	if st, err := os.Stat(path); err == nil && !st.Mode().IsRegular() {
		return nil, fmt.Errorf("%s: not a regular file; name a pipe by feeding it to standard input", path)
	}
	file, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	name := filepath.Base(path)
	t := &tail{file: file, name: name, described: described}
	s, err := newFlow(newFeed(ctx, t, cmp.Or(o.Idle, idleDefault), false), name, o)
	if err != nil {
		return nil, err
	}
	s.Endless()
	return s, nil
}

// tail is a file as a peer that sends what is appended.
type tail struct {
	file      *os.File
	name      string
	described *recording.Growing // nil: by itself, or by options
	ctx       context.Context    // of the feed
	at        int64
	timer     *time.Timer
}

// lookAgain is the time between looks at the end of a file.
const lookAgain = 5 * time.Millisecond

func (t *tail) open(ctx context.Context, why error) (io.ReadCloser, error) {
	t.ctx = ctx
	return t, why
}

func (t *tail) Close() error { return t.file.Close() }

// Read waits until something was appended.
func (t *tail) Read(b []byte) (int, error) {
	for {
		n, err := t.file.Read(b)
		if t.at += int64(n); n > 0 {
			return n, nil
		}
		if err != io.EOF {
			return 0, err
		}
		st, err := t.file.Stat()
		if err != nil {
			return 0, err
		}
		if st.Size() < t.at {
			return 0, fmt.Errorf("%s: %d bytes are left of %d that were read: it was cut or written anew; begin anew", t.name, st.Size(), t.at)
		}
		if t.described != nil {
			if err := t.described.Check(); err != nil {
				return 0, err
			}
		}
		if t.timer == nil {
			t.timer = time.NewTimer(lookAgain)
		} else {
			t.timer.Reset(lookAgain)
		}
		select {
		case <-t.ctx.Done():
			t.timer.Stop()
			return 0, t.ctx.Err()
		case <-t.timer.C:
		}
	}
}
