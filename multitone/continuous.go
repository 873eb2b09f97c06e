package multitone

import (
	"fmt"
	"math"
	"math/cmplx"
	"slices"

	lowpass "tonepose/multitone/window"
)

// Averaging says how a Continuous filters.
type Averaging struct {
	LowPass lowpass.Spec
	Every   int // samples from one frame to the next; 0: 1
	// Samples is the length of the recording, so that a short one is not
	// measured for noise in windows longer than itself; 0: long enough.
	Samples int64
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
// tells: nothing is estimated jointly. Variances are expected ones, from the
// noise measured beside each tone; call Listen first, or the first frames'
// variances are infinite.
type Continuous struct {
	cfg       Config
	averaging Averaging
	lowPass   *lowpass.LowPass
	engine    engine
	oscillate []oscillator
	at        int64 // samples taken
	delay     float64
	rests     int64 // samples that a frame rests on
	warmup    int64 // samples before the first frame
	ones      *lowpass.Filter
	settling  int64 // samples until the step response is 1 to rounding
	meter     *meter
	listen    listener
	gain      float64 // variance of a component per variance of a white sample
	frame     Frame
	turn      []complex128
}

// engine mixes and filters.
type engine interface {
	// feed takes samples of every channel and returns the raw rows that fall
	// due, index (row·tones + tone)·channels + channel, peak values relative to
	// the oscillators' phases. They are overwritten by the next call.
	feed(x [][]float64) []complex128
	// limit is how many samples feed takes at most.
	limit() int
	tune(omega []float64)
}

// oscillator keeps a tone's phase at sample 0 [turns] as if its present
// frequency had always been its own.
type oscillator struct{ origin, step float64 }

func (o oscillator) turns(sample float64) float64 {
	whole := math.Floor(sample)
	// whole·step loses digits after 10⁹ samples: the step's own whole part is
	// split off first.
	return cycles(o.origin + cycles(whole*o.step) + (sample-whole)*o.step)
}

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
	c.Tones = slices.Clone(c.Tones)
	s := &Continuous{cfg: c, averaging: a}
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
	s.oscillate = make([]oscillator, len(c.Tones))
	s.engine = newEngine(&s.cfg, s.lowPass, a.Every)
	s.frame, s.turn = s.cfg.newFrame(), make([]complex128, len(c.Tones))
	length := s.cfg.meterLength(maxChunk)
	if a.Samples > 0 {
		length = int(min(int64(length), max(a.Samples, 8)))
	}
	probes, err := newProbes(&s.cfg, length, Double)
	if err != nil {
		return nil, err
	}
	s.meter = newMeter(probes, c.Channels, pooledWindows, slices.Repeat([]float64{1}, c.Channels))
	s.listen.prepare(c.Channels, length)
	s.retune()
	return s, nil
}

func samplesOf(v float64) int64 { return int64(math.Ceil(v - 1e-6)) }

// LowPass returns the filter as it is realised at the sample rate.
func (s *Continuous) LowPass() *lowpass.LowPass { return s.lowPass }

// Gain is the variance of each component of a phasor per variance of a white
// sample, 4·ENBW over the sample rate.
func (s *Continuous) Gain() float64 { return s.gain }

// Rejection tells by how much a sinusoid at hz is suppressed beside a tone
// [dB, positive], in closed form: its difference and its sum frequency pass
// the low-pass.
func (s *Continuous) Rejection(tone int, hz float64) float64 {
	return Rejection(s.lowPass, s.cfg.Tones[tone].Hz, hz)
}

// Rejection is Continuous.Rejection of any low-pass, for a tone at toneHz.
func Rejection(l *lowpass.LowPass, toneHz, hz float64) float64 {
	direct, image := cmplx.Abs(l.Response(hz-toneHz)), cmplx.Abs(l.Response(hz+toneHz))
	return -20 * math.Log10(math.Max(direct, image))
}

// Tune sets the tones' frequencies [Hz] in the ADC's clock from the next
// sample on. Phases go on without a step.
func (s *Continuous) Tune(hz []float64) error {
	for k := range s.cfg.Tones {
		s.cfg.Tones[k].Hz = hz[k]
	}
	if err := s.cfg.check(); err != nil {
		return err
	}
	s.retune()
	probes, err := newProbes(&s.cfg, s.meter.probes.length, Double)
	if err == nil {
		s.meter.use(probes)
	}
	return err
}

func (s *Continuous) retune() {
	omega := make([]float64, len(s.cfg.Tones))
	for k, t := range s.cfg.Tones {
		o := &s.oscillate[k]
		now := o.turns(float64(s.at))
		o.step = t.Hz / s.cfg.SampleRate
		o.origin = cycles(now - cycles(float64(s.at)*o.step))
		omega[k] = s.cfg.omega(t.Hz)
	}
	s.engine.tune(omega)
}

// Listen measures the noise in samples without filtering them.
func (s *Continuous) Listen(x [][]float64) {
	s.listen.hear(x, s.meter)
}

// Write feeds samples, channel by channel, and hands every frame that falls
// due to emit. The frame is overwritten by the next.
func (s *Continuous) Write(x [][]float64, emit func(*Frame) error) error {
	s.listen.hear(x, s.meter)
	view := make([][]float64, len(x))
	for from := 0; from < len(x[0]); {
		n := min(len(x[0])-from, s.engine.limit())
		for c := range x {
			view[c] = x[c][from : from+n]
		}
		if err := s.rows(s.engine.feed(view), n, emit); err != nil {
			return err
		}
		from += n
	}
	return nil
}

// rows makes frames of raw rows; n samples were fed.
func (s *Continuous) rows(raw []complex128, n int, emit func(*Frame) error) error {
	every, size := int64(s.averaging.Every), len(s.cfg.Tones)*s.cfg.Channels
	start := s.at
	s.at += int64(n)
	f := &s.frame
	for len(raw) > 0 {
		count := (start/every + 1) * every // samples that the row has seen
		start = count
		row := raw[:size]
		raw = raw[size:]
		scale := 1.0
		if count <= s.settling {
			var one [1]complex128
			for range every {
				if s.ones.Process(one[:], []complex128{1}) == 1 {
					scale = 1 / real(one[0])
				}
			}
		}
		if count < s.warmup {
			continue
		}
		f.Stop = count
		f.Start = max(0, count-s.rests)
		centre := float64(count-1) - s.delay
		f.Shift = centre - float64(f.Start+f.Stop-1)/2
		s.refer(row, scale, centre)
		for k := range s.cfg.Tones {
			for c := range s.cfg.Channels {
				v := math.Inf(1)
				if s.meter.windows > 0 {
					v = s.meter.variances()[k*s.cfg.Channels+c] * s.gain
				}
				f.Variance[k*s.cfg.Channels+c] = v
			}
		}
		if err := emit(f); err != nil {
			return err
		}
	}
	return nil
}

// refer fills the frame's phasors from a raw row.
func (s *Continuous) refer(row []complex128, scale, centre float64) {
	f, channels := &s.frame, s.cfg.Channels
	for k, t := range s.cfg.Tones {
		f.Hz[k] = t.Hz
		raw, out := row[k*channels:(k+1)*channels], f.Phasor[k*channels:(k+1)*channels]
		if t.Reference == NoReference {
			f.Reference[k] = 0
			// The oscillator's phase less that of 2π·Hz·t.
			turn := unit(s.oscillate[k].origin) * complex(scale, 0)
			for c, v := range raw {
				out[c] = v * turn
			}
			continue
		}
		ref := raw[t.Reference]
		f.Reference[k] = ref * unit(s.oscillate[k].turns(centre)) * complex(scale, 0)
		size := cmplx.Abs(ref)
		turn := complex(scale, 0)
		if size > 0 {
			turn = complex(real(ref)*scale/size, -imag(ref)*scale/size)
		}
		for c, v := range raw {
			out[c] = v * turn
		}
		out[t.Reference] = complex(size*scale, 0)
	}
}

// listener cuts windows for the noise meter out of the stream: all of them
// until the estimate has its full memory, then one of every few.
type listener struct {
	channels, length int
	buffer           []float64 // interleaved
	filled           int
	skip             int
}

const listenEvery = 8 // windows

func (l *listener) prepare(channels, length int) {
	l.channels, l.length = channels, length
	l.buffer = make([]float64, channels*length)
}

func (l *listener) hear(x [][]float64, m *meter) {
	for from := 0; from < len(x[0]); {
		if l.skip > 0 {
			n := min(l.skip, len(x[0])-from)
			l.skip -= n
			from += n
			continue
		}
		n := min(l.length-l.filled, len(x[0])-from)
		interleave(l.buffer[l.filled*l.channels:(l.filled+n)*l.channels], x, from)
		l.filled += n
		from += n
		if l.filled < l.length {
			return
		}
		l.filled = 0
		observe(m, l.buffer)
		if m.windows >= pooledWindows {
			l.skip = (listenEvery - 1) * l.length
		}
	}
}
