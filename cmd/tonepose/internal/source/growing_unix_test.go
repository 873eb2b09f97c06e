//go:build unix

package source

import (
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"
)

// A pipe that nobody writes to is refused: to open it would wait for somebody, whatever the
// context says.
func TestGrowingRefusesAPipe(t *testing.T) {
	name := filepath.Join(t.TempDir(), "pipe")
	if err := syscall.Mkfifo(name, 0o600); err != nil {
		t.Skip(err)
	}
	opened := make(chan error, 1)
	go func() {
		_, err := Open(t.Context(), "growing:"+name, Options{Reading: raw})
		opened <- err
	}()
	select {
	case err := <-opened:
		if err == nil || !strings.Contains(err.Error(), "not a regular file") {
			t.Errorf("%v", err)
		}
	case <-time.After(time.Minute):
		t.Error("waits for somebody who writes")
	}
}
