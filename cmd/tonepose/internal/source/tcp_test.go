package source

import (
	"context"
	"errors"
	"io"
	"net"
	"strings"
	"testing"

	"tonepose/cmd/tonepose/internal/stream"
	"tonepose/multitone/recording"
)

// serve listens, and lets each talk have one connection after the other. The port stays, without anyone to accept, when
// all have talked.
func serve(t *testing.T, talks ...func(net.Conn)) (address string) {
	t.Helper()
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	done := make(chan struct{})
	go func() {
		defer close(done)
		for _, talk := range talks {
			conn, err := listener.Accept()
			if err != nil {
				return
			}
			talk(conn)
			conn.Close()
		}
	}()
	t.Cleanup(func() { listener.Close(); <-done })
	return listener.Addr().String()
}

// reset ends a connection as a machine does that has crashed.
func reset(conn net.Conn) {
	conn.(*net.TCPConn).SetLinger(0)
	conn.Close()
}

// watched is a source with the samples that it is to hand out, none of which may be wrong.
type watched struct {
	Source
	t   *testing.T
	dst []int16
	n   int // samples
}

func watch(t *testing.T, src Source) *watched {
	return &watched{Source: src, t: t, dst: make([]int16, 2*100)}
}

// take reads n samples whose counts go on from value.
func (w *watched) take(n, value int) {
	w.t.Helper()
	for n > 0 {
		got, err := w.ReadInt16(w.dst[:2*min(n, 100)])
		if err != nil {
			w.t.Fatalf("after %d samples: %v", w.n, err)
		}
		for i, v := range w.dst[:2*got] {
			if v != int16(value+i) {
				w.t.Fatalf("sample %d: count %d, want %d", w.n+i/2, v, int16(value+i))
			}
		}
		n -= got
		value += 2 * got
		w.n += got
	}
}

func (w *watched) lost(want ...stream.Gap) {
	w.t.Helper()
	got := w.Lost()
	if len(got) != len(want) {
		w.t.Fatalf("lost %+v, want %+v", got, want)
	}
	for i, g := range got {
		if g.At != want[i].At || g.Samples != want[i].Samples || !strings.Contains(g.Why, want[i].Why) {
			w.t.Errorf("lost %+v, want %+v", g, want[i])
		}
	}
}

// A peer sends a byte at a time, stalls, cuts a sample, resets, comes again: what has come is right, and where time broke is
// known.
func TestTCPPeers(t *testing.T) {
	read, stalled := make(chan bool), make(chan bool)
	address := serve(t,
		func(c net.Conn) {
			for _, b := range counts(2 * 50) {
				c.Write([]byte{b})
			}
			<-read // and says nothing meanwhile
			c.Write(counts(2 * 150)[4*50:])
			c.Write([]byte{1, 2, 3})
		},
		func(c net.Conn) {
			c.Write(counts(2 * 30))
			<-stalled // resetting drops what was not read yet
			reset(c)
		},
		func(c net.Conn) {}, // closes at once
		func(c net.Conn) { c.Write(counts(2 * 10)); <-read },
	)
	src, err := Open(t.Context(), "tcp://"+address, Options{Reading: raw})
	if err != nil {
		t.Fatal(err)
	}
	defer src.Close()
	m := recording.NewMonitor(src.Info())
	src.Watch(m)
	w := watch(t, src)
	w.take(50, 0)
	w.lost()
	read <- true
	w.take(100, 100)
	w.take(30, 0)
	w.lost(stream.Gap{At: 150, Why: "the peer closed the connection; 3 bytes at the end are no whole sample"})
	stalled <- true
	w.take(10, 0)
	lost := w.Lost()
	if len(lost) != 2 || lost[1].At != 180 || lost[1].Samples != 0 {
		t.Errorf("lost %+v", lost)
	}
	for _, at := range []int64{150, 180} {
		if !m.Slipped(at-1, at+1) || m.Flags(0, at-1, at+1) != recording.Gap {
			t.Errorf("no gap flagged at %d", at)
		}
	}
	if m.Slipped(0, 150) || m.Slipped(151, 179) {
		t.Error("a gap is flagged where there was none")
	}
	src.Close()
	if n, err := src.ReadInt16(w.dst); n != 0 || err != io.EOF {
		t.Errorf("%d samples, error %v after the end", n, err)
	}
	read <- true
}

// A server that was restarted is found again.
func TestTCPServerRestarts(t *testing.T) {
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	address := listener.Addr().String()
	src := func() Source {
		defer listener.Close()
		opened := make(chan Source, 1)
		go func() {
			src, err := Open(t.Context(), "tcp://"+address, Options{Reading: raw})
			if err != nil {
				t.Error(err)
			}
			opened <- src
		}()
		conn, err := listener.Accept()
		if err != nil {
			t.Fatal(err)
		}
		conn.Write(counts(2 * 20))
		reset2 := <-opened
		watch(t, reset2).take(20, 0)
		reset(conn)
		return reset2
	}()
	defer src.Close()
	w := watch(t, src)
	again := make(chan error, 1)
	go func() {
		listener, err := net.Listen("tcp", address)
		if err != nil {
			again <- err
			return
		}
		defer listener.Close()
		conn, err := listener.Accept()
		if err == nil {
			conn.Write(counts(2 * 20))
			conn.Close()
		}
		again <- err
	}()
	w.take(20, 0)
	if err := <-again; err != nil {
		t.Fatal(err)
	}
	w.lost(stream.Gap{At: 20, Why: "the connection was lost"})
}

// Clients come one after the other.
func TestTCPListen(t *testing.T) {
	src, err := Open(t.Context(), "tcp-listen://127.0.0.1:0", Options{Reading: raw})
	if err != nil {
		t.Fatal(err)
	}
	defer src.Close()
	address, ok := strings.CutPrefix(src.Info().Name, "tcp-listen://")
	if !ok {
		t.Fatalf("named %q", src.Info().Name)
	}
	w := watch(t, src)
	for range 3 {
		conn, err := net.Dial("tcp", address)
		if err != nil {
			t.Fatal(err)
		}
		conn.Write(counts(2 * 20))
		w.take(20, 0)
		conn.Close()
	}
	w.lost(stream.Gap{At: 20, Why: "the peer closed"}, stream.Gap{At: 40, Why: "the peer closed"})
}

// A WAV over TCP describes itself once more after a break, and must say the same.
func TestTCPOfWAV(t *testing.T) {
	header := func(channels, rate byte) []byte {
		return []byte("RIFF\xff\xff\xff\xffWAVEfmt \x10\x00\x00\x00\x01\x00" + string(channels) + "\x00" + string(rate) + "\x00\x00\x00" +
			"\x00\x00\x00\x00" + string(2*channels) + "\x00\x10\x00" + "data\xff\xff\xff\xff")
	}
	address := serve(t,
		func(c net.Conn) { c.Write(header(2, 100)[:20]) }, // nothing of it counts
		func(c net.Conn) { c.Write(append(header(2, 100), counts(2*20)...)) },
		func(c net.Conn) { c.Write(append(header(2, 100), counts(2*20)...)) },
		func(c net.Conn) { c.Write(append(header(1, 100), counts(2*20)...)) },
	)
	src, err := Open(t.Context(), "tcp://"+address, Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer src.Close()
	if in := src.Info(); in.Channels != 2 || in.SampleRate != 100 {
		t.Errorf("info %+v", in)
	}
	w := watch(t, src)
	w.take(20, 0)
	w.take(20, 0)
	_, err = src.ReadInt16(w.dst)
	wantError(t, err, "tcp://"+address+": after a break at sample 40 come 1 channel of ri16_le at 100 Hz, before it 2 channels")
}

// What waits for a peer ends at once.
func TestTCPEnds(t *testing.T) {
	quiet := make(chan bool)
	address := serve(t, func(net.Conn) { <-quiet })
	for name, o := range map[string]Options{
		"tcp://" + address: {Reading: raw}, "tcp-listen://127.0.0.1:0": {Reading: raw},
	} {
		src, err := Open(t.Context(), name, o)
		if err != nil {
			t.Fatal(err)
		}
		failed := make(chan error)
		go func() {
			_, err := src.ReadInt16(make([]int16, 2))
			failed <- err
		}()
		src.Close()
		if err := <-failed; err != io.EOF {
			t.Errorf("%s: error %v", name, err)
		}
	}
	close(quiet)
	// Nobody connects, and what comes would have to describe itself.
	ctx, cancel := context.WithCancel(t.Context())
	opened := make(chan error)
	go func() {
		src, err := Open(ctx, "tcp-listen://127.0.0.1:0", Options{})
		if err == nil {
			src.Close()
		}
		opened <- err
	}()
	cancel()
	if err := <-opened; !errors.Is(err, context.Canceled) {
		t.Errorf("error %v", err)
	}
}

func TestTCPErrors(t *testing.T) {
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer listener.Close()
	taken := listener.Addr().String()
	free, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	free.Close()
	for name, want := range map[string]string{
		"tcp://" + free.Addr().String():  "tcp://" + free.Addr().String() + ": dial tcp",
		"tcp://bench":                    `tcp://bench: "bench" is no address: write host and port, as 127.0.0.1:5000`,
		"tcp://127.0.0.1:":               `tcp://127.0.0.1:: "127.0.0.1:" is no address`,
		"tcp-listen://5000":              `tcp-listen://5000: "5000" is no address`,
		"tcp-listen://:5000":             "tcp-listen://:5000: other machines could send samples there: name 127.0.0.1:5000, or allow them (--allow-remote)",
		"tcp-listen://0.0.0.0:5000":      "tcp-listen://0.0.0.0:5000: other machines",
		"tcp-listen://192.0.2.1:5000":    "tcp-listen://192.0.2.1:5000: other machines",
		"tcp-listen://bench.invalid:500": "tcp-listen://bench.invalid:500: other machines",
		"tcp-listen://" + taken:          "tcp-listen://" + taken + ": listen tcp",
	} {
		src, err := Open(t.Context(), name, Options{Reading: raw})
		if err == nil {
			src.Close()
		}
		wantError(t, err, want)
	}
	src, err := Open(t.Context(), "tcp-listen://:0", Options{Reading: raw, AllowRemote: true})
	if err != nil {
		t.Fatal(err)
	}
	src.Close()
	if _, err := Open(t.Context(), "tcp-listen://127.0.0.1:0", Options{Reading: recording.Options{Format: "ri17"}}); err == nil {
		t.Error("no error of the format")
	}
}
