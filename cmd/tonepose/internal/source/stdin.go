package source

import (
	"context"
	"errors"
	"io"
	"time"
)

// openStdin reads what comes through a pipe.
func openStdin(ctx context.Context, name, _ string, o Options) (Source, error) {
	in := o.Reading.Stdin
	if in == nil {
		return nil, errors.New("-: no standard input to read; name another source")
	}
	d, ok := in.(interface{ SetReadDeadline(time.Time) error })
	ends := ok && d.SetReadDeadline(time.Time{}) == nil
	p := &piped{Reader: in}
	if ends {
		p.stop = func() { d.SetReadDeadline(time.Unix(1, 0)) }
	}
	return newFlow(newFeed(ctx, p, o.Idle, !ends), name, o)
}

// piped is a peer whose bytes come through a reader that is another's to close.
type piped struct {
	io.Reader
	stop func() // ends a read that waits; nil: nothing does
}

func (p *piped) open(_ context.Context, why error) (io.ReadCloser, error) {
	if why != nil {
		return nil, why
	}
	return p, nil
}

func (p *piped) Close() error {
	if p.stop != nil {
		p.stop()
	}
	return nil
}
