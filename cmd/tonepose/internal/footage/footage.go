// Package footage keeps the samples behind what the page shows: of a recording, read where
// they are looked at, or the newest of a stream.
//
//	OfRecording, OfStream → Footage: Strip, Hear
//	      Footage.Tap fills it with what passes from a source
package footage

import (
	"context"
	"errors"
	"io"
	"math"
	"sync"

	"tonepose/cmd/tonepose/internal/pyramid"
	"tonepose/cmd/tonepose/internal/stream"
	"tonepose/multitone/recording"
)

// ErrLater is the answer to what is not known yet.
var ErrLater = errors.New("not known yet")

// Footage is the samples of a recording, or the newest of a stream.
type Footage struct {
	Info    recording.Info
	pyramid *pyramid.Samples

	mu     sync.Mutex        // of the following
	reader *recording.Reader // reads any stretch; nil: of a stream
	ring   *ring             // of a stream: its newest samples; nil: of a recording
	survey *stream.Survey    // what all samples show; nil: not yet known
}

// OfRecording keeps the samples of a recording, which reads any stretch of them.
func OfRecording(reader *recording.Reader) *Footage {
	info := reader.Info()
	return &Footage{Info: info, reader: reader, pyramid: pyramid.NewSamples(info.Channels, 0)}
}

const (
	pyramidBytes = 24 << 20 // of a stream
	ringSamples  = 3 << 20  // kept of all channels together
)

// OfStream keeps the newest samples of a stream.
func OfStream(info recording.Info) *Footage {
	// An entry of 64 samples takes two numbers, and those above it a fifteenth more.
	most := int64(pyramidBytes) * pyramid.Finest / (9 * int64(info.Channels))
	return &Footage{Info: info, pyramid: pyramid.NewSamples(info.Channels, most), ring: newRing(info.Channels, ringSamples/info.Channels)}
}

// Known is what all samples show; nil: not yet known.
func (f *Footage) Known() *stream.Survey {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.survey
}

// Learn takes what all samples show.
func (f *Footage) Learn(s *stream.Survey) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.survey = s
}

// End is where the samples that came end, counted from the first.
func (f *Footage) End() int64 {
	_, end := f.span()
	return end
}

// Covered is the time up to which strips can be drawn at any zoom [s].
func (f *Footage) Covered() float64 {
	_, end := f.pyramid.Span()
	return float64(end) / f.Info.SampleRate
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

var nan = float32(math.NaN())

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
