package window

import (
	"fmt"
	"math"
	"slices"
	"strings"
)

// Kind is the shape of a low-pass.
type Kind int

const (
	Cascade       Kind = iota + 1 // equal first-order stages in a row
	Butterworth                   // maximally flat, bilinear with the -3 dB point kept
	FIR                           // linear phase, Kaiser-windowed sinc
	MovingAverage                 // equal plain averages in a row (a CIC decimator's response)
)

var kindNames = [...]string{Cascade: "cascade", Butterworth: "butterworth", FIR: "fir", MovingAverage: "average"}

// String returns the name that KindByName understands.
func (k Kind) String() string {
	if k < Cascade || k > MovingAverage {
		return fmt.Sprintf("Kind(%d)", int(k))
	}
	return kindNames[k]
}

// KindByName returns the low-pass of that name, letter case ignored.
func KindByName(name string) (Kind, error) {
	for k := Cascade; k <= MovingAverage; k++ {
		if strings.EqualFold(strings.TrimSpace(name), kindNames[k]) {
			return k, nil
		}
	}
	return 0, fmt.Errorf("window: unknown low-pass %q: want one of %s", name, strings.Join(kindNames[Cascade:], ", "))
}

// Spec says what a low-pass shall be. Exactly one of CutoffHz, TimeConstantS and
// ENBWHz is set.
type Spec struct {
	Kind  Kind
	Order int // stages of a cascade or average, order of a Butterworth: 1..8; 0 for FIR

	CutoffHz      float64 // frequency at which |H|² = 1/2
	TimeConstantS float64 // τ of each stage of a cascade; duration of each plain average; else 1/(2π·cutoff)
	ENBWHz        float64 // one-sided equivalent noise bandwidth

	StopHz float64 // FIR: where the stop-band begins; default 2.5 times the cutoff (or the ENBW, if that is given)
	StopDB float64 // FIR: attenuation held from StopHz to half the rate; default 120
}

// LowPass is a low-pass realised at one sample rate. Every figure is that of the
// sampled filter, not of a continuous prototype. The gain at 0 Hz is 1.
type LowPass struct {
	spec    Spec
	rateHz  float64
	sampled sampled
}

// sampled is a filter in units of samples and cycles per sample.
type sampled struct {
	enbw, cutoff float64
	tau, delay   float64   // time constant and group delay
	taps         []float64 // nil with a recursion
	response     func(cycles float64) complex128
	settling     func(remaining float64) float64
	newState     func() state
	modes        func() (direct float64, modes []Mode) // nil: not as a sum of exponentials
}

// Mode is a part Re{Weight·exp(LogPole·m)} of an impulse response, m samples after
// the impulse.
type Mode struct{ LogPole, Weight complex128 }

// Modes returns the impulse response as a sum of exponentials, beside what is of the
// impulse's own sample alone: a Butterworth's; ok is false for others.
func (l *LowPass) Modes() (direct float64, modes []Mode, ok bool) {
	if l.sampled.modes == nil {
		return 0, nil, false
	}
	direct, modes = l.sampled.modes()
	return direct, modes, true
}

// Design realises spec at the sample rate [Hz]. The figure that spec gives holds
// exactly for the sampled filter, except that a MovingAverage takes the whole
// number of samples that comes nearest. Averaging is narrow: cutoff and ENBW must
// stay below a quarter of the rate.
func Design(spec Spec, sampleRateHz float64) (*LowPass, error) {
	if !(sampleRateHz > 0) || math.IsInf(sampleRateHz, 0) {
		return nil, fmt.Errorf("window: sample rate %g Hz: must be positive and finite", sampleRateHz)
	}
	if spec.Kind < Cascade || spec.Kind > MovingAverage {
		return nil, fmt.Errorf("window: low-pass kind %d: want one of %s", int(spec.Kind), strings.Join(kindNames[Cascade:], ", "))
	}
	if spec.Kind == FIR && spec.Order != 0 {
		return nil, fmt.Errorf("window: fir order %d: leave it 0, the length follows from the stop-band", spec.Order)
	}
	if spec.Kind != FIR && (spec.Order < 1 || spec.Order > 8) {
		return nil, fmt.Errorf("window: %v order %d: must lie in 1..8", spec.Kind, spec.Order)
	}
	if spec.Kind != FIR && (spec.StopHz != 0 || spec.StopDB != 0) {
		return nil, fmt.Errorf("window: %v has no stop-band to choose: StopHz and StopDB belong to fir", spec.Kind)
	}
	b := band{cutoff: spec.CutoffHz / sampleRateHz, tau: spec.TimeConstantS * sampleRateHz, enbw: spec.ENBWHz / sampleRateHz}
	if err := b.check(spec, sampleRateHz); err != nil {
		return nil, err
	}
	var s sampled
	var err error
	switch spec.Kind {
	case Cascade:
		s = newCascade(spec.Order, b).sampled()
	case Butterworth:
		s = newButterworth(spec.Order, b).sampled()
	case FIR:
		s, err = newFIR(b, spec.StopHz/sampleRateHz, spec.StopDB)
	case MovingAverage:
		s, err = newAverage(spec.Order, b)
	}
	if err != nil {
		return nil, err
	}
	return &LowPass{spec, sampleRateHz, s}, nil
}

// narrowest is the least cutoff or bandwidth in cycles per sample, and one over the
// longest time constant in samples. A thousand times narrower, settling no longer
// counts in whole samples: the longest times of a cascade of eight, some fifty time
// constants, would near 2⁵³ samples.
const narrowest = 1e-9

// width is the figure that spec gives, in words.
func (s *Spec) width() string {
	switch {
	case s.CutoffHz != 0:
		return fmt.Sprintf("%g Hz", s.CutoffHz)
	case s.ENBWHz != 0:
		return fmt.Sprintf("%g Hz equivalent noise bandwidth", s.ENBWHz)
	}
	return fmt.Sprintf("%g s", s.TimeConstantS)
}

// band is the wanted width in cycles per sample or samples; one is set.
type band struct{ cutoff, tau, enbw float64 }

func (b band) check(spec Spec, rateHz float64) error {
	set := 0
	for _, v := range []struct {
		name  string
		value float64
		unit  string
	}{{"cutoff", spec.CutoffHz, "Hz"}, {"time constant", spec.TimeConstantS, "s"}, {"enbw", spec.ENBWHz, "Hz"}} {
		if v.value == 0 {
			continue
		}
		set++
		if !(v.value > 0) || math.IsInf(v.value, 0) {
			return fmt.Errorf("window: low-pass %s = %g %s: must be positive and finite", v.name, v.value, v.unit)
		}
	}
	if set != 1 {
		return fmt.Errorf("window: low-pass width given %d times: give one of cutoff, time constant, enbw", set)
	}
	if b.cutoff >= 0.25 || b.enbw >= 0.25 {
		return fmt.Errorf("window: low-pass cutoff or enbw of %g Hz at %g Hz sample rate: must stay below a quarter of the rate",
			math.Max(spec.CutoffHz, spec.ENBWHz), rateHz)
	}
	if b.cutoff > 0 && b.cutoff < narrowest || b.enbw > 0 && b.enbw < narrowest || b.tau > 1/narrowest {
		return fmt.Errorf("window: a low-pass of %s at %g Hz sample rate: must not be narrower than %g of the rate, nor slower than %g samples; "+
			"lower the sample rate first", spec.width(), rateHz, narrowest, 1/narrowest)
	}
	shortest := 2 / math.Pi // the τ whose 1/(2πτ) is a quarter of the rate
	if spec.Kind == MovingAverage {
		shortest = 1
	}
	if b.tau > 0 && b.tau < shortest {
		return fmt.Errorf("window: low-pass time constant %g s at %g Hz sample rate: must be at least %.3g samples",
			spec.TimeConstantS, rateHz, shortest)
	}
	return nil
}

// Spec returns what the filter was designed from.
func (l *LowPass) Spec() Spec { return l.spec }

// SampleRateHz returns the rate that the filter runs at [Hz].
func (l *LowPass) SampleRateHz() float64 { return l.rateHz }

// ENBWHz returns the one-sided equivalent noise bandwidth [Hz],
// (fs/2)·Σh²/(Σh)²: noise of one-sided density S leaves a variance S·ENBWHz.
func (l *LowPass) ENBWHz() float64 { return l.sampled.enbw * l.rateHz }

// CutoffHz returns the lowest frequency at which |H|² = 1/2 [Hz].
func (l *LowPass) CutoffHz() float64 { return l.sampled.cutoff * l.rateHz }

// TimeConstantS returns the time constant in the sense of Spec [s].
func (l *LowPass) TimeConstantS() float64 { return l.sampled.tau / l.rateHz }

// GroupDelayS returns the delay of slow changes, the group delay at 0 Hz [s]. An
// output computed when sample n has entered belongs to the time n/fs − GroupDelayS.
func (l *LowPass) GroupDelayS() float64 { return l.sampled.delay / l.rateHz }

// SettlingS returns how long after a step the output stays within the share
// remaining (0.01 for 1 %) of its final value [s], in whole samples; the first
// sample of the step counts as one sample.
func (l *LowPass) SettlingS(remaining float64) float64 {
	if !(remaining > 0 && remaining < 1) {
		return math.NaN()
	}
	return l.sampled.settling(remaining) / l.rateHz
}

// Response returns H at the frequency [Hz] in closed form, dimensionless. A tone
// that far from the carrier is suppressed by −20·lg|H| dB.
func (l *LowPass) Response(hz float64) complex128 { return l.sampled.response(hz / l.rateHz) }

// Taps returns the impulse response of FIR and MovingAverage, sum 1 and symmetric,
// or nil for the recursive kinds.
func (l *LowPass) Taps() []float64 { return slices.Clone(l.sampled.taps) }
