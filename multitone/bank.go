package multitone

import (
	"fmt"
	"slices"
)

// Framing says how a Bank cuts the samples into windows.
type Framing struct {
	Length int // samples of a window
	Hop    int // samples from one window's start to the next; 0: Length
	// Cosine holds the coefficients of the taper as a sum of cosines about the
	// window's middle; nil: Hann, {0.5, 0.5}.
	Cosine []float64
}

// Bank measures all tones on all channels in successive windows.
type Bank struct {
	cfg      Config
	framing  Framing
	analysis *analysis
	meter    *meter
	buffer   [][]float64
	view     [][]float64
	filled   int
	start    int64 // of the buffer's first sample
	next     int64 // start of the next frame
	metered  int64 // where the meter last stopped
	frame    Frame
	held     []Frame // until the noise estimate has its full memory
	holding  bool
}

// NewBank prepares a bank.
func NewBank(c Config, f Framing) (*Bank, error) {
	if err := c.check(); err != nil {
		return nil, err
	}
	if f.Hop == 0 {
		f.Hop = f.Length
	}
	if f.Length < 8 || f.Hop < 1 {
		return nil, fmt.Errorf("multitone: window of %d samples with hop %d: at least 8 and 1 are needed", f.Length, f.Hop)
	}
	if f.Cosine == nil {
		f.Cosine = []float64{0.5, 0.5}
	}
	c.Tones = slices.Clone(c.Tones)
	b := &Bank{cfg: c, framing: f, holding: true}
	var err error
	if b.analysis, err = newAnalysis(&b.cfg, shape{f.Length, f.Cosine}); err != nil {
		return nil, err
	}
	if b.meter, err = newMeter(&b.cfg, b.cfg.meterLength(f.Length), true); err != nil {
		return nil, err
	}
	padded := b.analysis.padded()
	if p := b.analysis.projection; p.weights == nil && padded > f.Length {
		p.weights = make([]float64, padded) // samples behind the window are others'
		for i := range f.Length {
			p.weights[i] = 1
		}
	}
	b.buffer = make([][]float64, c.Channels)
	b.view = make([][]float64, c.Channels)
	for i := range b.buffer {
		b.buffer[i] = make([]float64, padded+max(f.Length, 4096))
	}
	b.frame = b.cfg.newFrame()
	return b, nil
}

// Tune sets the tones' frequencies [Hz] in the ADC's clock for the windows
// that follow.
func (b *Bank) Tune(hz []float64) error {
	for k := range b.cfg.Tones {
		b.cfg.Tones[k].Hz = hz[k]
	}
	if err := b.cfg.check(); err != nil {
		return err
	}
	if err := b.analysis.tune(); err != nil {
		return err
	}
	return b.meter.tune(len(b.meter.buffer[0]))
}

// Write feeds samples, channel by channel, and hands every completed frame to
// emit. The frame is overwritten by the next.
func (b *Bank) Write(x [][]float64, emit func(*Frame) error) error {
	from, to := 0, len(x[0])
	for from < to {
		if skip := b.next - b.start; skip > 0 {
			b.discard(int(min(skip, int64(b.filled))))
			if b.filled == 0 { // a hop beyond the window: samples that no frame uses
				n := int(min(b.next-b.start, int64(to-from)))
				b.start += int64(n)
				from += n
			}
		}
		n := min(to-from, len(b.buffer[0])-b.filled)
		for c := range b.buffer {
			copy(b.buffer[c][b.filled:], x[c][from:from+n])
		}
		b.filled += n
		from += n
		for b.next+int64(b.framing.Length) <= b.start+int64(b.filled) {
			if err := b.take(int(b.next-b.start), emit); err != nil {
				return err
			}
			b.next += int64(b.framing.Hop)
		}
	}
	return nil
}

// Flush hands out the frames that still wait for the noise estimate. Samples
// that do not fill a window are dropped.
func (b *Bank) Flush(emit func(*Frame) error) error {
	b.holding = false
	for i := range b.held {
		b.analysis.weigh(&b.held[i], b.meter)
		if err := emit(&b.held[i]); err != nil {
			return err
		}
	}
	b.held = nil
	return nil
}

func (b *Bank) discard(n int) {
	for c := range b.buffer {
		copy(b.buffer[c], b.buffer[c][n:b.filled])
	}
	b.filled -= n
	b.start += int64(n)
}

func (b *Bank) take(at int, emit func(*Frame) error) error {
	f := &b.frame
	if b.holding {
		b.held = append(b.held, b.cfg.newFrame())
		f = &b.held[len(b.held)-1]
	}
	f.Start = b.start + int64(at)
	f.Stop = f.Start + int64(b.framing.Length)
	a := b.analysis
	a.projection.reset()
	for i := range a.projection.chunks {
		first := at + i*a.projection.chunk
		for c := range b.view {
			b.view[c] = b.buffer[c][first : first+a.projection.chunk]
		}
		a.projection.add(i, b.view)
	}
	a.estimate(f)
	// Windows that overlap by more than half tell the meter little that is new.
	length := int64(len(b.meter.buffer[0]))
	for from := max(f.Start, b.metered); from+length <= f.Stop; from += max(length/2, 1) {
		for c := range b.view {
			o := from - b.start
			b.view[c] = b.buffer[c][o : o+length]
		}
		b.meter.observe(b.view)
		b.metered = from + max(length/2, 1)
	}
	if b.holding {
		if b.meter.frames < pooledFrames {
			return nil
		}
		return b.Flush(emit)
	}
	a.weigh(f, b.meter)
	return emit(f)
}
