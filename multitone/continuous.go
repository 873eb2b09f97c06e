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
	Samples   int64
	Precision Precision
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
	rowsSeen  int64
	delay     float64 // samples
	rests     int64   // samples that a frame rests on
	warmup    int64   // samples before the first frame
	ones      *lowpass.Filter
	settling  int64 // samples until the step response is 1 to rounding
	meter     *meter
	listen    listener
	gain      float64   // variance of a component per variance of a white sample
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
	s.engine = newEngine(&s.cfg, s.lowPass, a)
	s.frame, s.weighed = s.cfg.newFrame(), -1
	s.phasor, s.reference = s.frame.Phasor, s.frame.Reference
	s.scale = slices.Repeat([]float64{1}, c.Channels)
	s.buffer = make([]float64, continuousSamples*c.Channels)
	length := s.cfg.meterLength(maxDirect)
	if a.Samples > 0 {
		length = int(min(int64(length), max(a.Samples, 8)))
	}
	probes, err := newProbes(&s.cfg, length, bankProbes, s.probing())
	if err != nil {
		return nil, err
	}
	s.meter = newMeter(probes, c.Channels, pooledWindows, s.scale)
	s.listen = listener{channels: c.Channels, length: length}
	return s, s.retune()
}

// probing is the arithmetic of the noise meter.
func (s *Continuous) probing() Precision {
	if s.averaging.Precision == Auto && s.cfg.CountVolts == nil {
		return Double
	}
	if s.averaging.Precision == Auto {
		return Single
	}
	return s.averaging.Precision
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
	if err := s.retune(); err != nil {
		return err
	}
	probes, err := newProbes(&s.cfg, s.meter.probes.length, bankProbes, s.probing())
	if err == nil {
		s.meter.use(probes)
		s.weighed = -1
	}
	return err
}

func (s *Continuous) retune() error {
	omega := make([]float64, len(s.cfg.Tones))
	for k, t := range s.cfg.Tones {
		omega[k] = s.cfg.omega(t.Hz)
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
	s.referral, s.lanes = nil, nil
	return s.engine.tune(omega)
}

// Listen measures the noise in samples, which follow each other, without filtering
// them. What is written later may begin anywhere.
func (s *Continuous) Listen(x [][]float64) {
	s.listen.ahead = true
	s.inPieces(x, func(piece []float64) error {
		learnNoise(&s.listen, &s.listen.floats, piece, s.meter)
		return nil
	})
}

// Write feeds samples, channel by channel, and hands every frame that falls
// due to emit. The frame is overwritten by the next.
func (s *Continuous) Write(x [][]float64, emit func(*Frame) error) error {
	s.listen.begin()
	return s.inPieces(x, func(piece []float64) error {
		learnNoise(&s.listen, &s.listen.floats, piece, s.meter)
		for step := s.engine.most() * s.cfg.Channels; len(piece) > 0; {
			part := piece[:min(step, len(piece))]
			piece = piece[len(part):]
			s.settle()
			if err := s.hand(s.engine.floats(part), emit); err != nil {
				return err
			}
		}
		return nil
	})
}

// ListenInt16 is Listen for counts.
func (s *Continuous) ListenInt16(x []int16) {
	s.listen.ahead = true
	s.count()
	learnNoise(&s.listen, &s.listen.counts, x, s.meter)
}

// count takes samples as counts from now on.
func (s *Continuous) count() {
	if s.cfg.CountVolts != nil && !s.counting {
		s.counting = true
		copy(s.scale, s.cfg.CountVolts)
		s.engine.inVolts(s.scale)
	}
}

// inPieces interleaves samples that come channel by channel.
func (s *Continuous) inPieces(x [][]float64, use func([]float64) error) error {
	for from := 0; from < len(x[0]); from += continuousSamples {
		piece := s.buffer[:min(continuousSamples, len(x[0])-from)*s.cfg.Channels]
		interleave(piece, x, from)
		if err := use(piece); err != nil {
			return err
		}
	}
	return nil
}

// WriteInt16 feeds counts, all channels of a sample side by side, of the sizes
// [V] that Config.CountVolts gives. A Continuous takes either counts or floats.
func (s *Continuous) WriteInt16(x []int16, emit func(*Frame) error) error {
	s.listen.begin()
	s.count()
	learnNoise(&s.listen, &s.listen.counts, x, s.meter)
	for step := s.engine.most() * s.cfg.Channels; len(x) > 0; {
		piece := x[:min(step, len(x))]
		x = x[len(piece):]
		s.settle()
		if err := s.hand(s.engine.counts(piece), emit); err != nil {
			return err
		}
	}
	return nil
}

// listener cuts windows for the noise meter out of the stream: all of them
// until the estimate has its full memory, then one of every few.
type listener struct {
	channels, length int
	floats           []float64 // interleaved
	counts           []int16
	skip             int // samples
	ahead            bool
}

// begin drops the window that listening ahead has left unfinished: the samples to
// come do not continue it.
func (l *listener) begin() {
	if l.ahead {
		l.ahead, l.floats, l.counts = false, l.floats[:0], l.counts[:0]
	}
}

const listenEvery = 64 // windows

func learnNoise[S sample](l *listener, buffer *[]S, x []S, m *meter) {
	for len(x) > 0 {
		if l.skip > 0 {
			n := min(l.skip, len(x)/l.channels)
			l.skip -= n
			x = x[n*l.channels:]
			continue
		}
		n := min(l.length*l.channels-len(*buffer), len(x))
		*buffer = append(*buffer, x[:n]...)
		x = x[n:]
		if len(*buffer) < l.length*l.channels {
			return
		}
		observe(m, *buffer)
		*buffer = (*buffer)[:0]
		if m.windows >= pooledWindows {
			l.skip = (listenEvery - 1) * l.length
		}
	}
}
