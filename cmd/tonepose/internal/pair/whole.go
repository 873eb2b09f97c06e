package pair

import (
	"context"
	"fmt"
	"math"
	"math/cmplx"
	"slices"

	"gonum.org/v1/gonum/stat"

	"tonepose/cmd/tonepose/internal/stream"
	"tonepose/cmd/tonepose/internal/verdict"
	"tonepose/multitone/clock"
	"tonepose/multitone/recording"
	"tonepose/multitone/sine"
)

// Whole measures the whole recording.
func (p *Pair) Whole(ctx context.Context, r *recording.Reader, progress stream.Progress) (*Result, *stream.Survey, error) {
	survey, err := p.observe(ctx, r, clock.Common, progress)
	if err != nil {
		return nil, nil, err
	}
	if p.direct != nil {
		res, err := p.fitAll(ctx)
		return res, survey, err
	}
	// One fit to all samples gives the frequency best.
	if !p.whole {
		if err := p.meanFrequency(ctx, r, survey, progress); err != nil {
			return nil, nil, err
		}
	}
	followed := survey.Track
	if err := p.keep(survey); err != nil {
		return nil, nil, err
	}
	f, list, err := p.parts(ctx, r, survey, progress)
	if err != nil {
		return nil, nil, err
	}
	wanders := wander(list, p.tones[0].Hz)
	if wanders > 0 {
		survey.Track, p.course = followed, followed
		if f, list, err = p.parts(ctx, r, survey, progress); err != nil {
			return nil, nil, err
		}
	}
	n := float64(f.Stop - f.Start)
	ref, refVariance := f.At(0, p.reference)
	relative := p.relative(ref, refVariance, f.Hz[0], n)
	res := newResult(f.Hz[0], n, p.info.SampleRate, relative)
	res.SigmaFrequencyHz = math.Hypot(res.SigmaFrequencyHz, wanders)
	if wanders == 0 {
		res.FrequencyHz = p.tones[0].Hz // that of the fit to all samples
	}
	for k, h := range p.harmonics {
		v, variance, _ := p.read(f, h)
		excess := change(list, k, h.number, variance*float64(len(list)), meteredFreedom)
		if pull := f.Pull[h.tone*f.Frame.Channels+p.signal]; f.Flags&verdict.Motion != 0 && pull > variance {
			excess = max(excess, pull)
		}
		p.add(res, h, v, variance, relative, excess)
	}
	return res, survey, nil
}

// keep makes a survey keep to the pair's frequencies.
func (p *Pair) keep(s *stream.Survey) error {
	t, err := clock.NewTracker(clock.None, p.info.SampleRate, p.tones)
	if err == nil {
		s.Track, err = t.Finish()
		p.course = s.Track
	}
	return err
}

// meanParts is into how many parts a recording is cut to find its mean
// frequency: the line through their phases loses 1/meanParts² of what all
// samples hold.
const meanParts = 64

// meanFrequency finds the mean frequency of a long recording.
func (p *Pair) meanFrequency(ctx context.Context, r *recording.Reader, s *stream.Survey, progress stream.Progress) error {
	hz := s.Hz()[0]
	for k, was := len(p.tones)-1, p.tones[0].Hz; k >= 0; k-- {
		p.tones[k].Hz *= hz / was
	}
	if err := p.keep(s); err != nil {
		return err
	}
	var w stream.Windows
	part := p.info.Duration() / meanParts
	for i := range meanParts {
		w.Intervals = append(w.Intervals, stream.Interval{Start: part * float64(i), Stop: part * float64(i+1), Origin: p.info.Name})
	}
	var times, phases []float64
	_, err := stream.Measure(ctx, r, s, p.measurement(s, w), func(f *stream.Measured) error {
		times = append(times, f.Time)
		// to the phase of 2π·hz·t
		turns := cmplx.Phase(f.Reference[0])/(2*math.Pi) - f.Hz[0]*f.Time
		if n := len(phases); n > 0 {
			turns = phases[n-1] + math.Remainder(turns-phases[n-1], 1)
		}
		phases = append(phases, turns)
		return nil
	}, progress)
	if err != nil {
		return err
	}
	_, slope := stat.LinearRegression(times, phases, nil, false)
	for k := range p.tones {
		p.tones[k].Hz *= 1 + slope/hz
	}
	return nil
}

// fitAll fits all samples of a short recording at once.
func (p *Pair) fitAll(ctx context.Context) (*Result, error) {
	e, hz := p.direct, p.tones[0].Hz
	m := sine.Model{Hz: hz, Rate: e.Rate, Harmonics: []int{1}, Others: e.Model.Others}
	numbers := slices.Clone(p.others)
	for _, h := range p.harmonics {
		numbers = append(numbers, h.number)
	}
	for _, h := range slices.Sorted(slices.Values(numbers)) {
		if h > 1 && float64(h)*hz < e.Rate/2 {
			m.Harmonics = append(m.Harmonics, h)
		}
	}
	reference, err := m.Fit(ctx, e.Reference)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", p.info.Name, err)
	}
	signal, err := m.Fit(ctx, e.Signal)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", p.info.Name, err)
	}
	n := float64(len(e.Reference))
	ref := reference.Phasors[0]
	all := n * float64(e.Ratio)
	refRelative := p.relative(ref, 2*reference.Variance/n, hz, all)
	list, variances, freedom, err := p.fitParts(ctx, &m)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", p.info.Name, err)
	}
	res := newResult(hz, n, e.Rate, refRelative)
	res.SigmaFrequencyHz = e.Fit.SigmaHz() // few cycles give less than the bound of many
	for k, of := range p.harmonics {
		h := of.number
		// Means of stretches weaken a sine by sin(x)/x at the stretch.
		x := math.Pi * float64(h) * hz / p.info.SampleRate
		gain := math.Sin(float64(e.Ratio)*x) / (float64(e.Ratio) * math.Sin(x))
		v := signal.Phasors[slices.Index(m.Harmonics, h)] * cmplx.Rect(1/gain, -float64(h)*cmplx.Phase(ref))
		variance := p.floored(2*signal.Variance/n/(gain*gain), p.signal, cmplx.Abs(v), float64(h)*hz, all)
		p.add(res, of, v, variance, refRelative, change(list, k, h, variances[k], freedom)/(gain*gain))
	}
	return res, nil
}

// newResult begins with what the reference gives: n samples, with the variance of
// each component of its phasor relative to its squared amplitude.
func newResult(hz, n, rate, relative float64) *Result {
	r := &Result{FrequencyHz: hz, ENBWHz: rate / (2 * n), DurationS: n / rate}
	// Cramér–Rao bound of a frequency, var ω = 24σ²/(A²·N(N²−1)) per sample²,
	// with the white-equivalent σ² = variance·N/2 (Rife and Boorstyn 1974).
	// A number holds 53 bits.
	r.SigmaFrequencyHz = math.Hypot(math.Sqrt(12*relative/(n*n-1))*rate/(2*math.Pi), hz/(1<<52))
	return r
}

// add takes in a harmonic: the first is the result itself, and is listed only
// among others. relative is the variance of the reference over its squared size, excess
// the mean square of what the signal changes.
func (p *Pair) add(r *Result, h harmonic, z complex128, variance, relative, excess float64) {
	if excess > 0 {
		r.Changes = r.Changes || h.asked
		variance += excess
	}
	phaseVariance := p.phaseVariance(h, z, variance, relative)
	v := Phasor{AmplitudePeakV: cmplx.Abs(z), AmplitudeRMSV: cmplx.Abs(z) / math.Sqrt2, PhaseDeg: cmplx.Phase(z) * 180 / math.Pi,
		SigmaAmplitudeRMSV: math.Sqrt(variance / 2), SigmaPhaseDeg: sigmaDeg(phaseVariance)}
	if h.number == 1 {
		r.Phasor = v
	}
	if h.asked && len(p.harmonics) > 1 {
		r.Harmonics = append(r.Harmonics, Harmonic{h.number, v})
	}
}

// sigmaDeg words the variance of a phase [rad²]; a phase is never further off
// than half a turn.
func sigmaDeg(variance float64) float64 {
	deg := math.Sqrt(variance) * 180 / math.Pi
	if !(deg < 180) {
		return 180
	}
	return deg
}

func abs2(z complex128) float64 { return real(z)*real(z) + imag(z)*imag(z) }
