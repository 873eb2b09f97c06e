package multitone

import (
	"fmt"
	"math"
	"math/cmplx"
	"slices"

	"tonepose/multitone/internal/kernel"
	lowpass "tonepose/multitone/window"
)

// Averaging says how a Continuous filters.
type Averaging struct {
	LowPass lowpass.Spec
	Every   int // samples from one frame to the next; 0: 1
	// Samples is the length of the recording, so that a short one is not
	// measured for noise in windows longer than itself; 0: long enough.
	Samples int64
	// Lines are frequencies [Hz] that are measured like tones without a reference: they
	// follow the tones in every frame, with a variance of 0, as the noise beside them
	// is not measured.
	Lines     []float64
	Precision Precision // Auto: by whether Config.CountVolts promises counts
}

// A frame is handed out once a step in the past has settled to this.
const settledShare = 1e-3

// Continuous measures all tones on all channels without interruption: every
// channel is mixed with every tone and the products pass a low-pass.
//
// A frame's time is that of its last sample less the low-pass's group delay,
// so that slow changes stand where they happened. Its Start and Stop span the
// samples that it rests on to 99 %. A tone's reference passes the same
// low-pass before phases are referred to it. Frames begin when the low-pass
// has settled to 0.1 %; they are divided by the step response that far, so
// that a phasor that keeps still is right from the first one on.
//
// Other tones and lines are suppressed by the low-pass alone, as Rejection
// tells: nothing is estimated jointly; a Leak takes off what comes through.
// Variances are expected ones, from the noise measured beside each tone and what is
// left of Config.Foreign; call MeasureNoise first, or the first frames' variances are
// infinite.
type Continuous struct {
	cfg       Config // with the lines behind the tones
	tones     Config // without
	averaging Averaging
	lowPass   *lowpass.LowPass
	engine    engine
	rowsSeen  int64
	delay     float64 // samples
	rests     int64   // samples that a frame rests on
	warmup    int64   // samples before the first frame
	ones      *lowpass.Filter
	settling  int64 // samples until the step response is 1 to rounding
	meter     *meter
	noise     noiseWindows
	omitted   omissions
	shares    []*share  // of each channel, once something of it was left out; nil: of none
	fed       int64     // samples
	gain      float64   // variance of a component per variance of a white sample, 4·ENBW over the sample rate
	left      []float64 // mean squares that foreign lines leave in a component [V²]
	scale     []float64 // [V] of a unit of the samples, by channel
	counting  bool
	buffer    []float64 // interleaved
	frame     Frame
	weighed   int            // windows of the meter that the frame's variances rest on
	ahead     [][]complex128 // by lag and tone: from a row's phase to that of its time
	referral  *kernel.Referral
	lanes     *kernel.LaneReferral
	phasor    []complex128 // where the frame's are when they are not those of an engine
	reference []complex128
}

// continuousSamples bounds what an engine is fed at a time.
const continuousSamples = 1024

// NewContinuous prepares the measurement.
func NewContinuous(c Config, a Averaging) (*Continuous, error) {
	if err := c.check(); err != nil {
		return nil, err
	}
	if a.Every == 0 {
		a.Every = 1
	}
	if a.Every < 0 {
		return nil, fmt.Errorf("multitone: output every %d samples: must be positive", a.Every)
	}
	if a.Precision == Auto {
		a.Precision = Single
		if c.CountVolts == nil {
			a.Precision = Double
		}
	}
	s := &Continuous{tones: c, cfg: c, averaging: a}
	s.tones.Tones, s.tones.Lines = slices.Clone(c.Tones), slices.Concat(c.Lines, a.Lines)
	s.cfg.Tones = slices.Clone(c.Tones)
	for _, hz := range a.Lines {
		s.cfg.Tones = append(s.cfg.Tones, Tone{Hz: hz})
	}
	if err := s.cfg.check(); err != nil {
		return nil, err
	}
	var err error
	if s.lowPass, err = lowpass.Design(a.LowPass, c.SampleRate); err != nil {
		return nil, err
	}
	s.delay = s.lowPass.GroupDelayS() * c.SampleRate
	s.rests = samplesOf(s.lowPass.SettlingS(0.01) * c.SampleRate)
	s.warmup = samplesOf(s.lowPass.SettlingS(settledShare) * c.SampleRate)
	s.settling = samplesOf(s.lowPass.SettlingS(1e-12) * c.SampleRate)
	s.gain = 4 * s.lowPass.ENBWHz() / c.SampleRate
	s.ones = s.lowPass.NewFilter(a.Every)
	s.engine = newEngine(&s.cfg, s.lowPass, a)
	s.frame, s.weighed = s.cfg.newFrame(), -1
	s.frame.Shift = float64(s.rests-1)/2 - s.delay
	s.phasor, s.reference = s.frame.Phasor, s.frame.Reference
	s.scale = slices.Repeat([]float64{1}, c.Channels)
	s.buffer = make([]float64, continuousSamples*c.Channels)
	length := s.tones.meterLength(maxDirect)
	if a.Samples > 0 {
		length = int(min(int64(length), max(a.Samples, 8)))
	}
	probes, err := newProbes(&s.tones, length, bankProbes, a.Precision)
	if err != nil {
		return nil, err
	}
	s.meter = newMeter(probes, c.Channels, pooledWindows, s.scale)
	s.retune()
	return s, nil
}

func samplesOf(v float64) int64 { return int64(math.Ceil(v - 1e-6)) }

// LowPass returns the filter as it is realised at the sample rate.
func (s *Continuous) LowPass() *lowpass.LowPass { return s.lowPass }

// Rejection tells by how much a sinusoid at hz is suppressed beside a tone at toneHz
// [dB, positive], in closed form: its difference and its sum frequency pass
// the low-pass.
func Rejection(l *lowpass.LowPass, toneHz, hz float64) float64 {
	direct, image := cmplx.Abs(l.Response(hz-toneHz)), cmplx.Abs(l.Response(hz+toneHz))
	return -20 * math.Log10(math.Max(direct, image))
}

// Tune sets the tones' frequencies [Hz] in the ADC's clock from the next
// sample on. Phases go on without a step.
func (s *Continuous) Tune(hz []float64) error {
	for k := range s.tones.Tones {
		s.tones.Tones[k].Hz, s.cfg.Tones[k].Hz = hz[k], hz[k]
	}
	if err := s.cfg.check(); err != nil {
		return err
	}
	s.retune()
	probes, err := newProbes(&s.tones, s.meter.probes.length, bankProbes, s.averaging.Precision)
	if err == nil {
		s.meter.use(probes)
		s.weighed = -1
	}
	return err
}

// Follow tells the course of the tones' phases, for those without a reference, from
// the next frame on.
func (s *Continuous) Follow(c Course) {
	s.cfg.Course = c
	if c != nil && len(s.averaging.Lines) > 0 {
		s.cfg.Course = &withLines{c, len(s.tones.Tones), s.averaging.Lines}
	}
}

// withLines is the course of tones, and behind them of lines that keep still.
type withLines struct {
	Course
	tones int
	hz    []float64
}

func (c *withLines) Cycles(tone int, time float64) float64 {
	if tone >= c.tones {
		return c.hz[tone-c.tones] * time
	}
	return c.Course.Cycles(tone, time)
}

func (c *withLines) HzAt(tone int, time float64) float64 {
	if tone >= c.tones {
		return c.hz[tone-c.tones]
	}
	return c.Course.HzAt(tone, time)
}

func (s *Continuous) retune() {
	omega := s.cfg.omegas()
	for k, t := range s.cfg.Tones {
		s.frame.Hz[k] = t.Hz
	}
	s.ahead = s.ahead[:0]
	for _, lag := range s.engine.lags() {
		row := make([]complex128, len(omega))
		for k, w := range omega {
			row[k] = unit(cycles(w * (lag - s.delay) / (2 * math.Pi)))
		}
		s.ahead = append(s.ahead, row)
	}
	s.left = s.tones.leftBehind(s.lowPass)
	s.referral, s.lanes = nil, nil
	s.engine.tune(omega)
}

// MeasureNoise measures the noise in samples, which follow each other from the first
// on, without filtering them. What is written later begins with the first again.
func (s *Continuous) MeasureNoise(x [][]float64) {
	s.noise.ahead = true
	inPieces(s.buffer, x, func(piece []float64) error {
		learnAhead(s, &s.noise.floats, piece)
		return nil
	})
}

// Break tells that the time line breaks somewhere in samples [start, stop], before they are
// written: no noise is measured across it.
func (s *Continuous) Break(start, stop int64) { s.omitted.cut(start, stop) }

// Write feeds samples, channel by channel, and hands every frame that falls
// due to emit. The frame is overwritten by the next.
func (s *Continuous) Write(x [][]float64, emit func(*Frame) error) error {
	return inPieces(s.buffer, x, func(piece []float64) error {
		return filter(s, &s.noise.floats, piece, emit)
	})
}

// MeasureNoiseInt16 is MeasureNoise for counts.
func (s *Continuous) MeasureNoiseInt16(x []int16) {
	s.noise.ahead = true
	s.count()
	learnAhead(s, &s.noise.counts, x)
}

func learnAhead[S sample](s *Continuous, windows *cutter[S], x []S) {
	s.noise.read += int64(len(x) / s.cfg.Channels)
	learnNoise(s, windows, x, s.noise.read)
}

// count takes samples as counts from now on.
func (s *Continuous) count() {
	if s.cfg.CountVolts != nil && !s.counting {
		s.counting = true
		copy(s.scale, s.cfg.CountVolts)
		s.engine.inVolts(s.scale)
	}
}

// WriteInt16 feeds counts, all channels of a sample side by side, of the sizes
// [V] that Config.CountVolts gives. A Continuous takes either counts or floats.
func (s *Continuous) WriteInt16(x []int16, emit func(*Frame) error) error {
	s.count()
	return filter(s, &s.noise.counts, x, emit)
}

// filter takes interleaved samples through the engine.
func filter[S sample](s *Continuous, noise *cutter[S], x []S, emit func(*Frame) error) error {
	if s.noise.ahead { // these samples do not continue the window that is not complete
		s.noise.ahead, noise.held = false, noise.held[:0]
	}
	learnNoise(s, noise, x, s.fed+int64(len(x)/s.cfg.Channels))
	s.omitted.forget(s.fed - int64(s.meter.probes.length))
	most := continuousSamples
	if _, ok := s.engine.(*stream); ok {
		most = kernel.Longest
	}
	for piece := range slices.Chunk(x, most*s.cfg.Channels) {
		s.startReferring()
		s.follow(int64(len(piece) / s.cfg.Channels))
		if err := s.hand(feedEngine(s.engine, piece), emit); err != nil {
			return err
		}
	}
	return nil
}

// noiseWindows cuts windows for the noise meter out of the stream: all of them
// until the estimate has its full memory, then one of every few.
type noiseWindows struct {
	floats cutter[float64]
	counts cutter[int16]
	skip   int   // samples × channels
	ahead  bool  // what was measured last is not filtered
	read   int64 // samples that were measured so
}

const noiseEvery = 64 // windows

// learnNoise measures noise in samples that end at the given one.
func learnNoise[S sample](s *Continuous, windows *cutter[S], x []S, end int64) {
	size := s.meter.probes.length * s.cfg.Channels
	for len(x) > 0 {
		skip := min(s.noise.skip, len(x))
		s.noise.skip -= skip
		x = x[skip:]
		if window := windows.next(&x, size); window != nil {
			lost := s.omitted.lost(s.meter.probes.shape, s.cfg.Channels, end-int64((len(x)+size)/s.cfg.Channels))
			observe(s.meter, window, lost)
			if s.meter.windows >= pooledWindows {
				s.noise.skip = (noiseEvery - 1) * size
			}
		}
	}
}

// cutter cuts a stream of interleaved samples into stretches.
type cutter[S sample] struct {
	held []S // of a stretch that is not complete
}

// next takes the next n values, channels counted, off x; nil: there are not as many
// yet, and all are held.
func (c *cutter[S]) next(x *[]S, n int) (stretch []S) {
	if len(c.held) == 0 && len(*x) >= n {
		stretch, *x = (*x)[:n], (*x)[n:]
		return stretch
	}
	more := min(n-len(c.held), len(*x))
	c.held, *x = append(c.held, (*x)[:more]...), (*x)[more:]
	if len(c.held) < n {
		return nil
	}
	stretch, c.held = c.held, c.held[:0]
	return stretch
}
