//go:build unix

package recording

import (
	"context"
	"errors"
	"io"
	"os"
	"path/filepath"
	"syscall"
	"testing"
	"time"
)

// A pipe that nobody writes into keeps nobody waiting whose context has ended: neither standard input nor a named pipe.
func TestStalledPipes(t *testing.T) {
	t.Setenv("TMPDIR", t.TempDir())
	in, out := io.Pipe()
	defer out.Close()
	named := filepath.Join(t.TempDir(), "pipe")
	if err := syscall.Mkfifo(named, 0o600); err != nil {
		t.Fatal(err)
	}
	// Whoever opens it to read waits; in the end for this.
	defer func() {
		if f, err := os.OpenFile(named, os.O_WRONLY|syscall.O_NONBLOCK, 0); err == nil {
			f.Close()
		}
	}()
	go out.Write([]byte("t,a\n0,1\n")) // a part, and no more
	for name, opt := range map[string]Options{"-": {Stdin: in}, named: {Format: "csv"}} {
		ctx, cancel := context.WithCancel(context.Background())
		time.AfterFunc(20*time.Millisecond, cancel)
		if _, err := Open(ctx, name, opt); !errors.Is(err, context.Canceled) {
			t.Errorf("%s: error %v, expected %v", name, err, context.Canceled)
		}
	}
}
