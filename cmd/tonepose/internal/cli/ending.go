package cli

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"runtime/debug"
	"strings"
	"sync/atomic"
	"syscall"
	"time"

	"tonepose/cmd/tonepose/internal/files"
	"tonepose/cmd/tonepose/internal/terminal"
)

// What is in use is tens of megabytes and lasts for the whole run, so that to collect three
// times as often as usual costs hardly any time and saves a third of the memory.
const gcPercent = 33

// Main runs the command line of a process, which signals end: an interrupt, SIGTERM and
// SIGHUP at once, whatever the command is about and waits for. What it has not finished is
// taken away; a command that has something to finish first says so (see finishFirst). A
// reader of standard output that goes away ends a write, not the process.
func Main(args []string, s Streams) int {
	if os.Getenv("GOGC") == "" {
		debug.SetGCPercent(gcPercent)
	}
	ctx, cancel := context.WithCancelCause(context.Background())
	defer cancel(nil)
	e := &ending{cancel: cancel, signals: make(chan os.Signal, 2), words: s.Err}
	for _, sig := range []os.Signal{os.Interrupt, syscall.SIGTERM, syscall.SIGHUP} {
		if !signal.Ignored(sig) { // as nohup and shells want it of jobs in the background
			signal.Notify(e.signals, sig)
		}
	}
	signal.Notify(make(chan os.Signal, 1), syscall.SIGPIPE)
	go e.watch()
	return Run(context.WithValue(ctx, endingKey{}, e), args, s)
}

// ending is how a process ends before its command is done.
type ending struct {
	cancel  context.CancelCauseFunc // of the command
	signals chan os.Signal
	words   io.Writer

	finishing atomic.Pointer[finish]
	printing  atomic.Pointer[string]
	begun     atomic.Bool
}

// finish is what a command does with the first signal.
type finish struct {
	within time.Duration // it has to end; 0: as long as it takes
	quiet  bool          // its end by a signal is no failure
}

// code is the exit code of a command that a signal ends.
func (f *finish) code(sig os.Signal) int {
	s, ok := sig.(syscall.Signal)
	switch {
	case f != nil && f.quiet:
		return 0
	case ok:
		return 128 + int(s)
	}
	return 128 + int(syscall.SIGINT)
}

// signalled is why the context of a command that finishes something first is done.
type signalled struct{ code int }

func (signalled) Error() string { return "interrupted" }

// interruptedCode is the exit code of a command whose context was done before it had anything
// to finish.
func interruptedCode(ctx context.Context) int {
	if by := (signalled{}); errors.As(context.Cause(ctx), &by) {
		return by.code
	}
	return (*finish)(nil).code(os.Interrupt)
}

type endingKey struct{}

// finishFirst has the first signal end the command's context alone. Within some time, or with
// the second signal, the process ends.
func finishFirst(ctx context.Context, f finish) {
	if e, ok := ctx.Value(endingKey{}).(*ending); ok {
		e.finishing.Store(&f)
	}
}

// printsRows says what is cut short on standard output by a signal.
func printsRows(ctx context.Context, what string) {
	if e, ok := ctx.Value(endingKey{}).(*ending); ok {
		e.printing.Store(&what)
	}
}

// watch waits for signals.
func (e *ending) watch() {
	sig := <-e.signals
	f := e.finishing.Load()
	if f == nil {
		e.end(sig, nil)
	}
	e.cancel(signalled{f.code(sig)})
	var late <-chan time.Time
	if f.within > 0 {
		late = time.After(f.within)
	}
	select {
	case sig = <-e.signals:
		f = nil
	case <-late:
	}
	e.end(sig, f)
}

// end ends the process.
func (e *ending) end(sig os.Signal, f *finish) {
	e.begun.Store(true)
	code := f.code(sig)
	go func() { // the disk may be slow
		<-e.signals
		files.AbandonWithin(100 * time.Millisecond)
		os.Exit(code)
	}()
	written := files.Abandon()
	said := make(chan struct{})
	go func() { // who reads what is said may be slow
		defer close(said)
		if code == 0 {
			return
		}
		terminal.ClearLine(e.words)
		say(e.words, "interrupted%s", e.outcome(written))
	}()
	select {
	case <-said:
	case <-time.After(100 * time.Millisecond):
	}
	os.Exit(code)
}

// outcome is what an interrupted command leaves.
func (e *ending) outcome(written []string) string {
	const most = 8
	more := ""
	if n := len(written) - most; n > 0 {
		written, more = written[:most], fmt.Sprintf(" and %d more", n)
	}
	what := e.printing.Load()
	switch {
	case len(written) > 0:
		return "; complete: " + strings.Join(written, ", ") + more
	case what != nil:
		return ": " + *what + " is cut short"
	}
	return ", nothing written"
}

// hold keeps a command whose process is ending from saying how it failed by that.
func hold(ctx context.Context) {
	if e, ok := ctx.Value(endingKey{}).(*ending); ok && e.begun.Load() {
		select {}
	}
}
