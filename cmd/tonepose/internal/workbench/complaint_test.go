package workbench

import (
	"errors"
	"net"
	"net/http"
	"strings"
	"syscall"
	"testing"
	"testing/synctest"
	"time"
)

// exhausted is a listener of a process that has as many files open as it may.
type exhausted struct{ tries int }

func (l *exhausted) Accept() (net.Conn, error) {
	if l.tries++; l.tries > 20 {
		return nil, net.ErrClosed
	}
	return nil, &net.OpError{Op: "accept", Net: "tcp", Err: syscall.EMFILE}
}
func (l *exhausted) Close() error   { return nil }
func (l *exhausted) Addr() net.Addr { return &net.TCPAddr{} }

// That no connection can be taken is said once, though the server tries again and again; what
// else goes wrong in it is said whenever it does.
func TestRefusedConnectionsAreSaidOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var said []string
		web := &http.Server{ReadHeaderTimeout: time.Second, ErrorLog: newComplaints(func(text string) { said = append(said, text) })}
		if err := web.Serve(&exhausted{}); !errors.Is(err, net.ErrClosed) {
			t.Fatal(err)
		}
		if len(said) != 1 || !strings.Contains(said[0], "too many open files") || !strings.Contains(said[0], "ulimit") {
			t.Fatalf("said: %q", said)
		}
		web.ErrorLog.Print("http: panic serving 127.0.0.1: why")
		if len(said) != 2 || said[1] != "http: panic serving 127.0.0.1: why" {
			t.Errorf("said: %q", said)
		}
	})
}
