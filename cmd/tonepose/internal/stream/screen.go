package stream

import (
	"math"
	"slices"

	"tonepose/multitone"
	"tonepose/multitone/recording"
)

// screen keeps unsound samples out of what is measured: those that the Monitor found,
// and bursts, which it finds itself. In a block that has any it puts what the tones
// would have been in their place, and names them.
//
// To compare every sample with the tones would cost as much as all the rest. It is done
// in some blocks of each channel, where the Monitor saw a channel reach farther than
// before, and for a while after each burst.
type screen struct {
	info    recording.Info
	mender  *multitone.Mender
	stretch int       // samples of a block at most
	block   Block     // in memory of its own
	volts   []float64 // of one channel
	known   []multitone.Span
	burst   []multitone.Span
	blocks  int
	alert   []int // blocks for which each channel is looked at yet
}

const (
	screenEvery = 64 // blocks
	screenFirst = 4
	// leastCounts is the least noise [counts] that a sample can stand out of: that of
	// the converter's rounding is 1/√12.
	leastCounts = 0.5
	// leastShare is the same beside the largest sample of a block of floats: below what
	// recorders resolve.
	leastShare = 1e-6
)

// newScreen looks at blocks of so many samples.
func newScreen(info recording.Info, cfg multitone.Config, stretch int) (*screen, error) {
	m, err := multitone.NewMender(cfg, stretch)
	return &screen{info: info, mender: m, stretch: stretch, alert: make([]int, info.Channels)}, err
}

// clean returns a block without its unsound samples: b itself where it has none.
func (v *screen) clean(b *Block, m *recording.Monitor) *Block {
	every := v.blocks%screenEvery == 0 || v.blocks < screenFirst
	v.blocks++
	n := b.samples(v.info.Channels)
	var out *Block
	for c := range v.info.Channels {
		v.known = v.known[:0]
		m.Unsound(c, b.First, b.First+int64(n), func(start, stop int64) {
			v.known = append(v.known, multitone.Span{Start: start - b.First, Stop: stop - b.First})
		})
		look := every || v.alert[c] > 0 || m.Reached(c, b.First, b.First+int64(n))
		if v.alert[c]--; !look && len(v.known) == 0 {
			continue
		}
		v.known = multitone.Join(v.known)
		least := v.take(b, c, n)
		if look {
			v.burst = v.mender.Outliers(v.burst, v.volts, v.known, least)
			if len(v.burst) > 0 {
				v.alert[c] = screenEvery
				for _, s := range v.burst {
					m.Burst(c, b.First+s.Start, b.First+s.Stop)
				}
				v.known = multitone.Join(append(v.known, v.burst...))
			}
		}
		if len(v.known) == 0 {
			continue
		}
		if out == nil {
			out = v.copy(b)
		}
		v.mender.Mend(v.volts, v.known)
		v.put(out, c)
		for _, s := range v.known {
			out.Unsound[c] = append(out.Unsound[c], multitone.Span{Start: b.First + s.Start, Stop: b.First + s.Stop})
		}
	}
	if out == nil {
		out = b
	}
	out.Breaks = out.Breaks[:0]
	m.Slips(b.First, b.First+int64(n), func(start, stop int64) {
		out.Breaks = append(out.Breaks, multitone.Span{Start: start, Stop: stop})
	})
	return out
}

// take writes a channel's samples to volts, and returns the least noise that they
// can have.
func (v *screen) take(b *Block, c, n int) (least float64) {
	v.volts = v.volts[:0]
	if b.Counts == nil {
		v.volts = append(v.volts, b.Volts[c]...)
		if v.info.Integer {
			return leastCounts * v.info.Scale[c]
		}
		for _, x := range v.volts {
			least = max(least, leastShare*math.Abs(x))
		}
		return least
	}
	v.volts = slices.Grow(v.volts, n)[:n]
	inVolts(v.volts, b.Counts[c:], v.info.Channels, v.info.Scale[c])
	return leastCounts * v.info.Scale[c]
}

// put writes volts to a channel of the block.
func (v *screen) put(b *Block, c int) {
	if b.Counts == nil {
		copy(b.Volts[c], v.volts)
		return
	}
	for i, x := range v.volts {
		b.Counts[i*v.info.Channels+c] = int16(min(max(math.Round(x/v.info.Scale[c]), math.MinInt16), math.MaxInt16))
	}
}

// copy is the block in memory of its own, with nothing unsound.
func (v *screen) copy(b *Block) *Block {
	o := &v.block
	o.First = b.First
	if b.Counts != nil {
		o.Counts = append(o.Counts[:0], b.Counts...)
	}
	if o.Unsound == nil {
		o.Unsound = make([][]multitone.Span, v.info.Channels)
		if b.Volts != nil {
			o.Volts = make([][]float64, v.info.Channels)
		}
	}
	for c := range v.info.Channels {
		o.Unsound[c] = o.Unsound[c][:0]
		if b.Volts != nil {
			o.Volts[c] = append(o.Volts[c][:0], b.Volts[c]...)
		}
	}
	return o
}

// omitter leaves samples out of what it measures.
type omitter interface {
	Omit(channel int, start, stop int64)
	Break(start, stop int64)
}

// tell tells of all unsound samples of the block, and of the breaks of its time line.
func (b *Block) tell(o omitter) {
	for _, s := range b.Breaks {
		o.Break(s.Start, s.Stop)
	}
	for c, list := range b.Unsound {
		for _, s := range list {
			o.Omit(c, s.Start, s.Stop)
		}
	}
}
