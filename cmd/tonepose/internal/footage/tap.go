package footage

import (
	"fmt"
	"math"
	"sync"

	"tonepose/cmd/tonepose/internal/stream"
)

// Tap is a source that hands its samples on to footage, each once.
type Tap struct {
	stream.Source
	to    *Footage
	pos   int64 // next sample that the source gives
	taken int64
	x     [][]float32
	count func(done int64)
}

// Tap fills the footage with what is read of a source.
func (f *Footage) Tap(src stream.Source) *Tap {
	t := &Tap{Source: src, to: f, x: make([][]float32, src.Info().Channels)}
	for c := range t.x {
		t.x[c] = make([]float32, tapAtOnce)
	}
	return t
}

const tapAtOnce = 4096

// Rewind reads the source again; what was taken is not taken twice.
func (t *Tap) Rewind() error {
	r, ok := t.Source.(stream.Rewinder)
	if !ok {
		return fmt.Errorf("%s: cannot be read twice", t.Source.Info().Name)
	}
	t.pos = 0
	return r.Rewind()
}

func (t *Tap) ReadPlanar(dst [][]float64) (int, error) {
	n, err := t.Source.ReadPlanar(dst)
	t.pass(n, func(c, i, m int) {
		for k, v := range dst[c][i : i+m] {
			t.x[c][k] = float32(v)
		}
	})
	return n, err
}

func (t *Tap) ReadInt16(dst []int16) (int, error) {
	n, err := t.Source.ReadInt16(dst)
	channels, scale := len(t.x), t.to.Info.Scale
	t.pass(n, func(c, i, m int) {
		x, volts := t.x[c][:m], float32(1)
		if scale != nil {
			volts = float32(scale[c])
		}
		at := i*channels + c
		for k := range x {
			x[k] = float32(dst[at]) * volts
			at += channels
		}
	})
	return n, err
}

// pass hands n samples on; convert writes m of a channel from the i-th on to t.x.
func (t *Tap) pass(n int, convert func(c, i, m int)) {
	skip := int(min(max(t.taken-t.pos, 0), int64(n)))
	t.pos += int64(n)
	for i := skip; i < n; i += tapAtOnce {
		m := min(tapAtOnce, n-i)
		part := make([][]float32, len(t.x))
		for c := range t.x {
			convert(c, i, m)
			part[c] = t.x[c][:m]
		}
		t.to.pyramid.Append(part)
		if t.to.ring != nil {
			t.to.ring.write(part)
		}
		t.taken += int64(m)
	}
	if t.count != nil && n > 0 {
		t.count(t.taken)
	}
}

// ring keeps the newest samples of a stream.
type ring struct {
	mu sync.Mutex
	x  [][]float32
	n  int64 // samples so far
}

func newRing(channels, samples int) *ring {
	r := &ring{x: make([][]float32, channels)}
	for c := range r.x {
		r.x[c] = make([]float32, samples)
	}
	return r
}

func (r *ring) write(x [][]float32) {
	r.mu.Lock()
	defer r.mu.Unlock()
	size := int64(len(r.x[0]))
	for c, v := range x {
		for i := 0; i < len(v); {
			i += copy(r.x[c][(r.n+int64(i))%size:], v[i:])
		}
	}
	r.n += int64(len(x[0]))
}

func (r *ring) end() int64 {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.n
}

// read fills dst with what is kept from a sample on; what is not kept any more is NaN.
func (r *ring) read(from int64, dst [][]float64) (int, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	size := int64(len(r.x[0]))
	n := int(min(int64(len(dst[0])), r.n-from))
	if n <= 0 {
		return 0, nil
	}
	for c := range dst {
		for i := range n {
			at := from + int64(i)
			if at < r.n-size || at < 0 {
				dst[c][i] = math.NaN()
				continue
			}
			dst[c][i] = float64(r.x[c][at%size])
		}
	}
	return n, nil
}
