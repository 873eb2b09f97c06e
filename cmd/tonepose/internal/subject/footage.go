package subject

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"sync"

	"tonepose/cmd/tonepose/internal/pyramid"
	"tonepose/cmd/tonepose/internal/stream"
	"tonepose/multitone/recording"
)

// Footage is the samples behind what is shown: of a recording, or the newest of a
// stream.
type Footage struct {
	Info    recording.Info
	pyramid *pyramid.Samples

	mu     sync.Mutex        // of the following
	reader *recording.Reader // reads any stretch; nil: of a stream
	ring   *ring             // of a stream: its newest samples; nil: of a recording
	survey *stream.Survey    // what all samples show; nil: not yet known
}

// read fills x, one slice a channel, with the samples from one on and returns how many
// there are.
func (f *Footage) read(from int64, x [][]float64) (int, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.reader == nil {
		return f.ring.read(from, x)
	}
	if from >= f.Info.Samples {
		return 0, nil
	}
	if err := f.reader.SeekSample(from); err != nil {
		return 0, err
	}
	n, err := f.reader.ReadPlanar(x)
	if errors.Is(err, io.EOF) {
		err = nil
	}
	return n, err
}

// span is the first sample kept and the end of them.
func (f *Footage) span() (first, end int64) {
	if f.reader != nil {
		return 0, f.Info.Samples
	}
	first, end = f.pyramid.Span()
	return first, max(end, f.ring.end())
}

// Samples are read this many at a time, of every channel.
const readAtOnce = 16 << 10

func planar(channels, n int) [][]float64 {
	x, all := make([][]float64, channels), make([]float64, channels*n)
	for c := range x {
		x[c] = all[c*n : (c+1)*n : (c+1)*n]
	}
	return x
}

// Strip is least and largest samples of channels against time.
type Strip struct {
	Exact      bool // every sample, in low
	Start      float64
	Step       float64
	Low, High  [][]float32
	Share      []Share
	firstIndex int64
}

// Share is how much of its range a channel uses.
type Share struct {
	Channel int      `json:"channel"`
	Min     float64  `json:"min_v"`
	Max     float64  `json:"max_v"`
	Share   float64  `json:"share"` // of full scale; NaN: not known
	Faults  []string `json:"faults"`
}

// Strip draws a stretch of time of some channels in so many points.
func (f *Footage) Strip(ctx context.Context, channels []int, from, to float64, points int, fullScale []float64) (*Strip, error) {
	first, end := f.span()
	a := min(max(int64(math.Floor(from*f.Info.SampleRate)), first), end)
	b := min(max(int64(math.Ceil(to*f.Info.SampleRate)), a), end)
	s := &Strip{Step: 1 / f.Info.SampleRate, firstIndex: a, Start: float64(a) / f.Info.SampleRate}
	if b-a < 2 {
		return s, nil
	}
	per := float64(b-a) / float64(points)
	if per >= 2*pyramid.Finest {
		s.Step = per / f.Info.SampleRate
		s.Start += s.Step / 2
		for _, c := range channels {
			low, high := f.pyramid.Bin(c, a, b, points)
			s.Low, s.High = append(s.Low, low), append(s.High, high)
		}
	} else if err := f.fine(ctx, s, channels, a, b, points); err != nil {
		return nil, err
	}
	for k, c := range channels {
		s.Share = append(s.Share, f.shareOf(c, s, k, a, b, fullScale[c]))
	}
	return s, nil
}

// fine reads the samples of a short stretch.
func (f *Footage) fine(ctx context.Context, s *Strip, channels []int, a, b int64, points int) error {
	n := int(b - a)
	s.Exact = n <= points
	bins := n
	if !s.Exact {
		bins = points
		s.Step = float64(n) / float64(points) / f.Info.SampleRate
		s.Start += s.Step / 2
	}
	for range channels {
		s.Low = append(s.Low, filled(bins))
		if !s.Exact {
			s.High = append(s.High, filled(bins))
		}
	}
	x := planar(f.Info.Channels, min(n, readAtOnce))
	for done := 0; done < n; {
		if err := ctx.Err(); err != nil {
			return err
		}
		for c := range x {
			x[c] = x[c][:min(cap(x[c]), n-done)]
		}
		m, err := f.read(a+int64(done), x)
		if err != nil {
			return err
		}
		if m == 0 {
			break
		}
		for k, c := range channels {
			for i, v := range x[c][:m] {
				at := (done + i) * bins / n
				if s.Exact {
					s.Low[k][at] = float32(v)
					continue
				}
				if w := float32(v); w == w {
					if !(s.Low[k][at] <= w) {
						s.Low[k][at] = w
					}
					if !(s.High[k][at] >= w) {
						s.High[k][at] = w
					}
				}
			}
		}
		done += m
	}
	return nil
}

func filled(n int) []float32 {
	out := make([]float32, n)
	for i := range out {
		out[i] = nan
	}
	return out
}

// shareOf is how much of its range a channel uses in a stretch.
func (f *Footage) shareOf(c int, s *Strip, k int, a, b int64, fullScale float64) Share {
	out := Share{Channel: c, Min: math.Inf(1), Max: math.Inf(-1), Share: math.NaN(), Faults: []string{}}
	take := func(list []float32) {
		for _, v := range list {
			out.Min, out.Max = math.Min(out.Min, orInf(v, 1)), math.Max(out.Max, orInf(v, -1))
		}
	}
	take(s.Low[k])
	if !s.Exact {
		take(s.High[k])
	}
	if fullScale > 0 && out.Min <= out.Max {
		out.Share = math.Max(math.Abs(out.Min), math.Abs(out.Max)) / fullScale
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.survey != nil {
		out.Faults = append(out.Faults, f.survey.Flags(c, a, b).Names()...)
	}
	return out
}

// orInf is a number, or infinity of a sign where there is none.
func orInf(v float32, sign int) float64 {
	if v != v {
		return math.Inf(sign)
	}
	return float64(v)
}

// tap hands the samples that a source gives on to a pyramid, and to a ring if there is
// one, once.
type tap struct {
	stream.Source
	to    *Footage
	pos   int64 // next sample that the source gives
	taken int64
	x     [][]float32
	count func(done int64)
}

func newTap(src stream.Source, to *Footage) *tap {
	t := &tap{Source: src, to: to, x: make([][]float32, src.Info().Channels)}
	for c := range t.x {
		t.x[c] = make([]float32, tapAtOnce)
	}
	return t
}

const tapAtOnce = 4096

// Rewind reads the source again; what was taken is not taken twice.
func (t *tap) Rewind() error {
	r, ok := t.Source.(stream.Rewinder)
	if !ok {
		return fmt.Errorf("%s: cannot be read twice", t.Source.Info().Name)
	}
	t.pos = 0
	return r.Rewind()
}

func (t *tap) ReadPlanar(dst [][]float64) (int, error) {
	n, err := t.Source.ReadPlanar(dst)
	t.pass(n, func(c, i, m int) {
		for k, v := range dst[c][i : i+m] {
			t.x[c][k] = float32(v)
		}
	})
	return n, err
}

func (t *tap) ReadInt16(dst []int16) (int, error) {
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
func (t *tap) pass(n int, convert func(c, i, m int)) {
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
