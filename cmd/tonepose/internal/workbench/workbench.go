// Package workbench serves the page on which a run, a stream or the virtual bench is
// looked at: files of the page, and data for it.
//
//	subject.Run or subject.Stream, the latter of a virtual bench too → server → page
//
// Everything that the page can ask for is bounded.
package workbench

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/http"
	"os/exec"
	"runtime"
	"runtime/debug"
	"time"

	"tonepose/cmd/tonepose/internal/subject"
	"tonepose/cmd/tonepose/internal/tables"
)

// Options say what is served, and where.
type Options struct {
	Tool    string                       // version
	Command func(tables.Metadata) string // the command line that made a table

	Run    subject.RunOptions    // of a run
	Follow subject.StreamOptions // of a stream, where Run names no folder

	Address     string // to listen on, as 127.0.0.1:0
	AllowRemote bool   // others than this machine may reach it, with a token
	Open        bool   // show it in a browser
	Ready       func(address string)
	Warn        func(text string) // of what goes wrong meanwhile
}

// collectAt is how much garbage may come beside what is kept [%].
const collectAt = 40

// Serve shows the page until the context ends.
func Serve(ctx context.Context, o Options) error {
	host, _, err := net.SplitHostPort(o.Address)
	if err != nil {
		return fmt.Errorf("address %s: %w: give host and port, as 127.0.0.1:8080", o.Address, err)
	}
	if ip := net.ParseIP(host); !o.AllowRemote && host != "localhost" && (ip == nil || !ip.IsLoopback()) {
		return fmt.Errorf("address %s: other machines could reach it: add --allow-remote if they shall, or name 127.0.0.1", o.Address)
	}
	// Rows that are drawn from stay in memory; garbage beside them shall be the lesser part.
	defer debug.SetGCPercent(debug.SetGCPercent(collectAt))
	s := newServer(o)
	defer s.end()
	if err := s.open(ctx); err != nil {
		return err
	}
	listener, err := new(net.ListenConfig).Listen(ctx, "tcp", o.Address)
	if err != nil {
		var why *net.OpError
		if errors.As(err, &why) {
			err = why.Err
		}
		return fmt.Errorf("address %s: %w: name another port; 0 is any free one", o.Address, err)
	}
	address := s.admit(listener.Addr())
	web := &http.Server{Handler: s, ReadHeaderTimeout: 5 * time.Second, ReadTimeout: 30 * time.Second, IdleTimeout: 2 * time.Minute, MaxHeaderBytes: 16 << 10, ErrorLog: newComplaints(o.Warn)}
	failed := make(chan error, 1)
	go func() { failed <- web.Serve(listener) }()
	if o.Ready != nil {
		o.Ready(address)
	}
	if o.Open {
		browse(ctx, address)
	}
	select {
	case err = <-failed:
	case <-ctx.Done():
		s.stop()
		last, cancel := context.WithTimeout(context.WithoutCancel(ctx), time.Second)
		defer cancel()
		if err = web.Shutdown(last); err != nil {
			err = web.Close()
		}
	}
	if errors.Is(err, http.ErrServerClosed) {
		err = nil
	}
	return err
}

// browse shows an address in the browser of the desk.
func browse(ctx context.Context, address string) {
	name, args := "xdg-open", []string{address}
	switch runtime.GOOS {
	case "darwin":
		name = "open"
	case "windows":
		name, args = "rundll32", []string{"url.dll,FileProtocolHandler", address}
	}
	c := exec.CommandContext(ctx, name, args...)
	if c.Start() == nil {
		go c.Wait()
	}
}
