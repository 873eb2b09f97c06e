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
	// window's middle, nowhere negative (see window.ForFit); nil: Hann, {0.5, 0.5}.
	Cosine []float64
	// Precision of the sums over samples; windows longer than 16384 samples are
	// always Double.
	Precision Precision
	// NoNoise leaves out the noise beside the tones: Variance and Bend stay 0.
	NoNoise bool
	// NoBend leaves out the bend of phasors: Bend stays 0.
	NoBend bool
}

func (f *Framing) shape() shape { return shape{f.Length, f.Cosine} }

// maxHeld bounds how many frames wait for the noise estimate.
const maxHeld = 256

// Bank measures all tones on all channels in successive windows. Windows that
// overlap by exactly half are the cheapest: two share their sums.
type Bank struct {
	cfg       Config
	framing   Framing
	precision Precision // Auto until the first samples
	scale     []float64 // [V] of a unit of the samples, by channel
	fit
	scratch   []complex128
	bows      bows   // along a window that is projected in chunks
	meter     *meter // nil without noise
	omitted   omissions
	remainder *remainder // of windows of which samples are left out
	counts    feed[int16]
	floats    feed[float64]
	planar    []float64 // interleaved by Write
	next      int64     // start of the next frame
	metered   int64     // start of the meter's next window
	frame     Frame
	held      []Frame // until the noise estimate has seen enough
	holding   bool
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
	b := &Bank{cfg: c, framing: f, holding: !f.NoNoise, scale: slices.Repeat([]float64{1}, c.Channels)}
	var err error
	if b.analysis, err = newAnalysis(&b.cfg, f.shape(), f.NoBend, nil); err != nil {
		return nil, err
	}
	b.frame = b.cfg.newFrame()
	return b, nil
}

// start makes the first tables, now that the kind of samples is known.
func (b *Bank) start(p Precision) error {
	if b.framing.Precision != Auto {
		p = b.framing.Precision
	}
	b.precision = p
	if err := b.fit.tabulate(&b.cfg, &b.framing, p, nil); err != nil {
		return err
	}
	b.use(b.fit)
	return nil
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
	next, err := b.cfg.newFit(&b.framing, b.precision, b.probes)
	if err == nil {
		b.use(next)
	}
	return err
}

// use measures the windows that follow with another fit.
func (b *Bank) use(f fit) {
	b.fit, b.remainder = f, nil
	if f.projection != nil {
		b.scratch = make([]complex128, b.cfg.Channels*len(f.analysis.omega))
	}
	switch {
	case f.probes == nil:
	case b.meter == nil:
		b.meter = newMeter(f.probes, b.cfg.Channels, pooledWindows, b.scale)
	default:
		b.meter.use(f.probes)
	}
}

// Skip passes over the samples that would come next, up to number to: windows that
// hold any of them are left out. The others lie as if nothing were missing.
func (b *Bank) Skip(to int64) {
	hop := int64(b.framing.Hop)
	if to > b.next {
		b.next += (to - b.next + hop - 1) / hop * hop
	}
	b.metered = max(b.metered, to)
	b.counts.filled, b.counts.start = 0, to
	b.floats.filled, b.floats.start = 0, to
	b.omitted.forget(to)
}

// restart begins anew at sample 0, with the tables and the noise that there are.
func (b *Bank) restart() {
	b.next, b.metered, b.omitted = 0, 0, omissions{}
	b.counts.filled, b.counts.start = 0, 0
	b.floats.filled, b.floats.start = 0, 0
	if b.direct != nil {
		b.direct.firstAt = -1
	}
}

// Omit tells that samples [start, stop) of a channel weigh nothing, before they are
// written; what is written in their place serves the noise estimate alone, and
// should be near to what they would have been. The window's sums leave them out, and
// the variance of each phasor is that of the samples left: infinite where these do
// not fix it.
func (b *Bank) Omit(channel int, start, stop int64) {
	b.omitted.add(b.cfg.Channels, channel, start, stop)
}

// Break tells that the time line breaks somewhere in samples [start, stop], before they are
// written: no noise is measured across it.
func (b *Bank) Break(start, stop int64) { b.omitted.cut(start, stop) }

// Write feeds samples [V], channel by channel, and hands every completed frame
// to emit. The frame is overwritten by the next.
func (b *Bank) Write(x [][]float64, emit func(*Frame) error) error {
	if len(x) != b.cfg.Channels {
		return fmt.Errorf("multitone: Bank.Write: %d slices of samples for %d channels: one slice a channel", len(x), b.cfg.Channels)
	}
	for c := range x {
		if len(x[c]) != len(x[0]) {
			return fmt.Errorf("multitone: Bank.Write: %d samples of channel %d, %d of channel 0: as many of each", len(x[c]), c, len(x[0]))
		}
	}
	if b.precision == Auto {
		if err := b.start(Double); err != nil {
			return err
		}
		b.planar = make([]float64, min(max(4096, 4*b.framing.Length), 1<<16)*b.cfg.Channels)
	}
	if b.cfg.Channels == 1 {
		return write(b, &b.floats, x[0], emit)
	}
	return inPieces(b.planar, x, func(piece []float64) error { return write(b, &b.floats, piece, emit) })
}

// inPieces interleaves samples that come channel by channel, as many at a time as
// the buffer holds.
func inPieces(buffer []float64, x [][]float64, use func([]float64) error) error {
	most := len(buffer) / len(x)
	for from := 0; from < len(x[0]); from += most {
		piece := buffer[:min(most, len(x[0])-from)*len(x)]
		interleave(piece, x, from)
		if err := use(piece); err != nil {
			return err
		}
	}
	return nil
}

// interleave copies as many samples as dst holds, from the given one on.
func interleave(dst []float64, x [][]float64, from int) {
	channels := len(x)
	n := len(dst) / channels
	for c, samples := range x {
		at := c
		for _, v := range samples[from : from+n] {
			dst[at] = v
			at += channels
		}
	}
}

// WriteInt16 feeds counts, all channels of a sample side by side, of the sizes
// [V] that Config.CountVolts gives. A bank takes either counts or floats.
func (b *Bank) WriteInt16(x []int16, emit func(*Frame) error) error {
	if len(x)%b.cfg.Channels != 0 {
		return fmt.Errorf("multitone: Bank.WriteInt16: %d counts are no whole number of samples of %d channels", len(x), b.cfg.Channels)
	}
	if b.precision == Auto {
		if b.cfg.CountVolts != nil {
			copy(b.scale, b.cfg.CountVolts)
		}
		if err := b.start(Single); err != nil {
			return err
		}
	}
	return write(b, &b.counts, x, emit)
}

// Flush hands out the frames that still wait for the noise estimate. Samples
// that do not fill a window are dropped.
func (b *Bank) Flush(emit func(*Frame) error) error {
	err := b.Waiting(emit)
	b.held, b.holding = nil, false
	return err
}

// Waiting hands out the frames that still wait for the noise estimate, as Flush
// would, and keeps them until that knows more.
func (b *Bank) Waiting(emit func(*Frame) error) error {
	for i := range b.held {
		b.analysis.weigh(&b.held[i], b.meter)
		if err := emit(&b.held[i]); err != nil {
			return err
		}
	}
	return nil
}

// process measures all windows that end within the samples x, of which the
// first is number start, in the order of their ends. It returns the first
// sample that is still needed.
func process[S sample](b *Bank, x []S, start int64, emit func(*Frame) error) (needed int64, err error) {
	channels := b.cfg.Channels
	end := start + int64(len(x)/channels)
	for {
		frameEnd := b.next + int64(b.framing.Length)
		if b.meter != nil {
			meterEnd := b.metered + int64(b.meter.probes.length)
			if meterEnd <= min(end, frameEnd) {
				lost := b.omitted.lost(b.meter.probes.shape, channels, b.metered)
				observe(b.meter, x[int(b.metered-start)*channels:int(meterEnd-start)*channels], lost)
				b.metered = meterEnd
				if b.meter.windows >= pooledWindows {
					b.metered += (meterEvery - 1) * int64(b.meter.probes.length)
				}
				continue
			}
		}
		if frameEnd > end {
			if b.meter != nil {
				return min(b.next, b.metered), nil
			}
			return b.next, nil
		}
		if err := take(b, x[int(b.next-start)*channels:int(frameEnd-start)*channels], emit); err != nil {
			return 0, err
		}
		b.next += int64(b.framing.Hop)
		if b.omitted.lists != nil || b.omitted.breaks != nil {
			needed := b.next
			if b.meter != nil {
				needed = min(needed, b.metered)
			}
			b.omitted.forget(needed)
		}
	}
}

// take measures one window.
func take[S sample](b *Bank, x []S, emit func(*Frame) error) error {
	f := &b.frame
	if b.holding {
		b.held = append(b.held, b.cfg.newFrame())
		f = &b.held[len(b.held)-1]
	}
	f.Start, f.Stop = b.next, b.next+int64(b.framing.Length)
	if b.direct != nil {
		window(b.direct, x, f.Start)
		b.direct.values(f.Phasor, 0, b.scale)
		b.direct.values(f.bent[:len(b.analysis.bends)*b.cfg.Channels], len(b.cfg.Tones), b.scale)
	} else {
		if err := inChunks(b, f, x); err != nil {
			return err
		}
	}
	if f.remnants = nil; b.omitted.meet(f.Start) {
		leaveOut(b, f, x)
	}
	f.refer(&b.cfg, f.Time(b.cfg.SampleRate))
	if b.holding {
		if b.meter.windows == 0 || b.meter.windows < primingWindows && len(b.held) < maxHeld {
			return nil
		}
		return b.Flush(emit)
	}
	if b.meter != nil {
		b.analysis.weigh(f, b.meter)
	}
	return emit(f)
}

// Follow tells the course of the tones' phases for the windows that follow.
func (b *Bank) Follow(c Course) { b.cfg.Course = c }

// leaveOut measures anew the channels of a window of which samples weigh nothing.
func leaveOut[S sample](b *Bank, f *Frame, x []S) {
	if b.remainder == nil {
		b.remainder = newRemainder(&b.cfg, b.analysis)
	}
	var list []Span
	for c := range b.omitted.lists {
		if list = b.omitted.within(list, c, f.Start, f.Stop); len(list) == 0 {
			continue
		}
		for i := range list {
			list[i].Start, list[i].Stop = list[i].Start-f.Start, list[i].Stop-f.Start
		}
		if b.direct == nil && !b.bows.flat(&b.cfg) {
			b.analysis.trust(f, c, list)
			continue
		}
		b.remainder.measure(f, c, list, func(samples []float64) {
			for n := range samples {
				samples[n] = float64(x[n*b.cfg.Channels+c]) * b.scale[c]
			}
		})
	}
}

// inChunks measures a window that is too long for tables of its own.
func inChunks[S sample](b *Bank, f *Frame, x []S) error {
	clear(b.scratch)
	step := b.projection.chunk * b.cfg.Channels
	b.bows.reset(&b.cfg, b.cfg.Tones, f.Start, b.framing.Length)
	for i := range b.projection.chunks {
		u, length := b.projection.middle(i)
		project(b.projection, b.scratch, i, x[i*step:min((i+1)*step, len(x))], b.bows.follow(&b.cfg, u, length))
	}
	for c, s := range b.scale {
		row := b.scratch[c*len(b.analysis.omega) : (c+1)*len(b.analysis.omega)]
		for j := range row {
			row[j] *= complex(s, 0)
		}
	}
	return b.bows.fill(&b.cfg, b.analysis, f, b.scratch)
}
