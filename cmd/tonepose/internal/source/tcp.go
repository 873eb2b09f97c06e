package source

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"strings"
	"time"
)

// openTCP connects to a server, and anew whenever the connection is lost.
func openTCP(ctx context.Context, name, address string, o Options) (Source, error) {
	if err := checkAddress(name, address); err != nil {
		return nil, err
	}
	p := &dialer{address: address, dial: o.dial}
	var err error
	if p.first, err = p.connect(ctx); err != nil {
		return nil, fmt.Errorf("%s: %w; start what listens there, or mend the address", name, err)
	}
	return newFlow(newFeed(ctx, p, o.Idle, false), name, o)
}

// openListener waits for a client, and for the next one whenever that is lost.
func openListener(ctx context.Context, name, address string, o Options) (Source, error) {
	if err := checkAddress(name, address); err != nil {
		return nil, err
	}
	if host, port, _ := net.SplitHostPort(address); !o.AllowRemote && !loopback(host) {
		return nil, fmt.Errorf("%s: other machines could send samples there: name 127.0.0.1:%s, or allow them (--allow-remote)", name, port)
	}
	listener, err := new(net.ListenConfig).Listen(ctx, "tcp", address)
	if err != nil {
		return nil, fmt.Errorf("%s: %w; choose another port", name, err)
	}
	// The port 0 is any that is free: the name then tells which.
	name = strings.TrimSuffix(name, address) + listener.Addr().String()
	return newFlow(newFeed(ctx, &acceptor{name: name, listener: listener}, o.Idle, false), name, o)
}

// checkAddress finds what no network is asked for.
func checkAddress(name, address string) error {
	if _, port, err := net.SplitHostPort(address); err != nil || port == "" {
		return fmt.Errorf("%s: %q is no address: write host and port, as 127.0.0.1:5000", name, address)
	}
	return nil
}

// loopback tells whether a host is this machine alone. An empty one is all of its addresses.
func loopback(host string) bool {
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}

// dialer is a server as a peer.
type dialer struct {
	address string
	dial    dial
	first   net.Conn // nil: in use
}

// dialTimeout is how long a connection may take.
const dialTimeout = 10 * time.Second

// dial connects as net.Dialer.DialContext does.
type dial func(ctx context.Context, network, address string) (net.Conn, error)

func (d *dialer) connect(ctx context.Context) (net.Conn, error) {
	if d.dial != nil {
		return d.dial(ctx, "tcp", d.address)
	}
	return (&net.Dialer{Timeout: dialTimeout}).DialContext(ctx, "tcp", d.address)
}

func (d *dialer) open(ctx context.Context, _ error) (io.ReadCloser, error) {
	if first := d.first; first != nil {
		d.first = nil
		return connection{first}, nil
	}
	for wait := shortestWait; ; wait = min(2*wait, longestWait) {
		if conn, err := d.connect(ctx); err == nil {
			return connection{conn}, nil
		}
		if err := pause(ctx, wait); err != nil {
			return nil, err
		}
	}
}

func (d *dialer) Close() error { return nil }

// acceptor is one client after the other.
type acceptor struct {
	name     string
	listener net.Listener
}

func (a *acceptor) open(ctx context.Context, _ error) (io.ReadCloser, error) {
	defer context.AfterFunc(ctx, func() { a.listener.Close() })()
	conn, err := a.listener.Accept()
	if err != nil {
		return nil, fmt.Errorf("%s: %w", a.name, err)
	}
	return connection{conn}, nil
}

func (a *acceptor) Close() error { return a.listener.Close() }

// connection words how it was lost.
type connection struct{ net.Conn }

func (c connection) Read(b []byte) (int, error) {
	n, err := c.Conn.Read(b)
	switch {
	case errors.Is(err, io.EOF):
		err = errors.New("the peer closed the connection")
	case err != nil:
		err = fmt.Errorf("the connection was lost: %w", err)
	}
	return n, err
}
