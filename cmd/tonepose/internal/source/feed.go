package source

import (
	"context"
	"errors"
	"io"
	"time"
)

// A feed reads its peers ahead on a goroutine of its own, in pieces that know when they came.
type feed struct {
	peer   peer
	parent context.Context
	ctx    context.Context // ends with parent, or by close
	end    context.CancelFunc
	done   chan struct{} // closed when the goroutine has ended

	free, full chan *piece
	piece      *piece // at hand; nil: none
	used       int    // of its bytes
	failed     error  // nothing comes any more

	leave   bool          // a read that waits cannot be ended: the goroutine is left to it
	idle    time.Duration // after which nothing is waited for any more; 0: never
	timer   *time.Timer
	arrived time.Time // when the newest byte that was handed out had come
}

// peer is who sends bytes.
type peer interface {
	// open waits for the next connection, and returns io.EOF when there will be none. why tells of what ended the one
	// before; nil: it is the first.
	open(ctx context.Context, why error) (io.ReadCloser, error)
	io.Closer
}

// piece is what one read gave.
type piece struct {
	bytes []byte
	at    time.Time
	why   error // time broke before it; nil: it did not
	err   error // instead of bytes: nothing follows
}

// How much is read at a time, and how many pieces may wait: a peer that is faster waits itself.
const (
	pieceBytes  = 64 << 10
	piecesAhead = 8
)

// errBroken tells that bytes follow, but time broke before them: begin anew.
var errBroken = errors.New("time broke")

// newFeed reads what peers send.
func newFeed(ctx context.Context, p peer, idle time.Duration, leave bool) *feed {
	f := &feed{peer: p, parent: ctx, idle: idle, leave: leave, done: make(chan struct{}), free: make(chan *piece, piecesAhead), full: make(chan *piece, piecesAhead)}
	f.ctx, f.end = context.WithCancel(ctx)
	for range piecesAhead {
		f.free <- &piece{bytes: make([]byte, 0, pieceBytes)}
	}
	go f.run()
	return f
}

// run reads one connection after the other. What broke time is the first that went wrong since bytes came.
func (f *feed) run() {
	defer close(f.done)
	var why, broke error
	wait := shortestWait
	for {
		in, err := f.peer.open(f.ctx, why)
		if err != nil {
			f.push(func(p *piece) { p.err = err })
			return
		}
		came := false
		if why, came = f.pump(in, &broke); broke == nil {
			broke = why
		}
		switch {
		case came:
			wait = shortestWait
		case why != io.EOF:
			if pause(f.ctx, wait) != nil {
				return
			}
			wait = min(2*wait, longestWait)
		}
	}
}

// How long to wait before the next attempt where one gave nothing: twice as long every time.
const (
	shortestWait = 50 * time.Millisecond
	longestWait  = 2 * time.Second
)

// pause waits, or until the context ends.
func pause(ctx context.Context, wait time.Duration) error {
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-time.After(wait):
		return nil
	}
}

// pump reads one connection to its end, and returns why it ended and whether any bytes came. The first of these are told
// what broke time before them.
func (f *feed) pump(in io.ReadCloser, broke *error) (why error, came bool) {
	defer in.Close()
	defer context.AfterFunc(f.ctx, func() { in.Close() })()
	for {
		var err error
		if !f.push(func(p *piece) {
			var n int
			n, err = in.Read(p.bytes[:cap(p.bytes)])
			p.bytes, p.at = p.bytes[:n], time.Now()
			if n > 0 {
				p.why, *broke = *broke, nil
				came = true
			}
		}) {
			return f.ctx.Err(), came
		}
		if errors.Is(err, errBroken) {
			*broke = err
			continue
		}
		if err != nil {
			return err, came
		}
	}
}

// push fills a piece and hands it on; false: the feed has ended.
func (f *feed) push(fill func(*piece)) bool {
	select {
	case <-f.ctx.Done():
		return false
	case p := <-f.free:
		p.bytes, p.why, p.err = p.bytes[:0], nil, nil
		fill(p)
		if f.ctx.Err() != nil {
			return false
		}
		f.full <- p // never blocks: there are no more pieces than it holds
		return true
	}
}

// Read hands out the bytes that have come, at least one. A break of the time line before the next ones is errBroken; then
// begin goes on.
func (f *feed) Read(b []byte) (n int, err error) {
	for n < len(b) {
		if f.piece == nil {
			if f.piece, err = f.next(n == 0); f.piece == nil {
				return n, err
			}
		}
		p := f.piece
		switch {
		case p.why != nil && n == 0:
			return 0, errBroken
		case p.why != nil:
			return n, nil
		case p.err != nil:
			f.failed = p.err
			f.drop()
			continue
		}
		k := copy(b[n:], p.bytes[f.used:])
		if k > 0 {
			f.arrived = p.at
		}
		n += k
		if f.used += k; f.used == len(p.bytes) {
			f.drop()
		}
	}
	return n, nil
}

// begin goes on after a break, and says why there was one.
func (f *feed) begin() error {
	why := f.piece.why
	f.piece.why = nil
	return why
}

func (f *feed) drop() {
	f.free <- f.piece
	f.piece, f.used = nil, 0
}

// next is the next piece; nil without waiting: there is none yet.
func (f *feed) next(wait bool) (*piece, error) {
	if f.failed == nil && f.ctx.Err() != nil {
		if f.failed = f.parent.Err(); f.failed == nil {
			f.failed = io.EOF // closed
		}
	}
	if f.failed != nil {
		return nil, f.failed
	}
	select {
	case p := <-f.full:
		return p, nil
	default:
	}
	if !wait {
		return nil, nil
	}
	var idle <-chan time.Time
	if f.idle > 0 {
		if f.timer == nil {
			f.timer = time.NewTimer(f.idle)
		} else {
			f.timer.Reset(f.idle)
		}
		defer f.timer.Stop()
		idle = f.timer.C
	}
	select {
	case p := <-f.full:
		return p, nil
	case <-idle:
		f.failed = io.EOF
		return nil, io.EOF
	case <-f.ctx.Done():
		return f.next(false)
	}
}

// close ends the goroutine and a Read that waits.
func (f *feed) close() error {
	f.end()
	err := f.peer.Close()
	if !f.leave {
		<-f.done
	}
	return err
}
