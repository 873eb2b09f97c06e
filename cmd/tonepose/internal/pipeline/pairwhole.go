package pipeline

import (
	"context"
	"fmt"
	"math"
	"math/cmplx"
	"slices"

	"gonum.org/v1/gonum/stat"

	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/multitone"
	"tonepose/multitone/clock"
	"tonepose/multitone/recording"
	"tonepose/multitone/sine"
)

// MeasurePair measures the whole recording.
func (b *Bench) MeasurePair(ctx context.Context, r *recording.Reader, progress Progress) (*Pair, *Summary, error) {
	survey, err := b.survey(ctx, r, b.mode(clock.Common), progress)
	if err != nil {
		return nil, nil, err
	}
	b.disown(survey, r.Info())
	rate := r.Info().SampleRate
	sum := &Summary{Survey: survey, lost: b.doubtfulReferences(survey, rate, r.Info().Names)}
	if b.pair.direct != nil {
		p, err := b.direct(ctx, r.Info())
		return p, sum, err
	}
	// One fit to all samples tells the frequency best.
	if !b.pair.settled {
		if err := b.settle(ctx, r, survey, progress); err != nil {
			return nil, nil, err
		}
	}
	if survey.Track, err = b.untracked(rate); err != nil {
		return nil, nil, err
	}
	var p *Pair
	err = b.measure(ctx, r, survey, Windows{}, func(f *multitone.Frame, _ []string) error {
		n := float64(f.Stop - f.Start)
		ref, refVariance := f.At(0, b.pair.reference)
		p = newPair(f.Hz[0], n, rate, refVariance/abs2(ref))
		for _, h := range b.pair.measured() {
			v, variance, phaseVariance := b.harmonic(f, h, rate)
			p.add(h, v, variance, phaseVariance)
		}
		p.list(b.pair.harmonics)
		return nil
	}, progress)
	return p, sum, err
}

// settleParts is into how many parts a recording is cut to find its mean
// frequency: the line through their phases loses 1/settleParts² of what all
// samples tell.
const settleParts = 64

// settle finds the mean frequency of a long recording.
func (b *Bench) settle(ctx context.Context, r *recording.Reader, s *Survey, progress Progress) error {
	info := r.Info()
	rate := info.SampleRate
	hz := s.Track.Hz(0, info.Duration())[0]
	for k := range b.Tones {
		b.Tones[k].Hz *= hz / b.Tones[0].Hz
	}
	var err error
	if s.Track, err = b.untracked(rate); err != nil {
		return err
	}
	var parts []tables.Interval
	for i := range settleParts {
		parts = append(parts, tables.Interval{Start: info.Duration() * float64(i) / settleParts, Stop: info.Duration() * float64(i+1) / settleParts})
	}
	var times, phases []float64
	err = b.measure(ctx, r, s, Windows{Intervals: parts}, func(f *multitone.Frame, _ []string) error {
		t := f.Time(rate)
		times = append(times, t)
		// to the phase of 2π·hz·t
		turns := cmplx.Phase(f.Reference[0])/(2*math.Pi) - f.Hz[0]*t
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
	for k := range b.Tones {
		b.Tones[k].Hz *= 1 + slope/hz
	}
	return nil
}

// direct fits all samples of a short recording at once.
func (b *Bench) direct(ctx context.Context, info recording.Info) (*Pair, error) {
	e, hz := b.pair.direct, b.Tones[0].Hz
	m := sine.Model{Hz: hz, Rate: e.Rate, Harmonics: []int{1}, Others: e.Model.Others}
	for _, h := range slices.Sorted(slices.Values(slices.Concat(b.pair.harmonics, b.pair.others))) {
		if h > 1 && float64(h)*hz < e.Rate/2 {
			m.Harmonics = append(m.Harmonics, h)
		}
	}
	reference, err := m.Fit(ctx, e.Reference)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", info.Name, err)
	}
	signal, err := m.Fit(ctx, e.Signal)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", info.Name, err)
	}
	n := float64(len(e.Reference))
	ref := reference.Phasors[0]
	refRelative := 2 * reference.Variance / n / abs2(ref)
	p := newPair(hz, n, e.Rate, refRelative)
	p.SigmaFrequencyHz = e.Fit.SigmaHz() // few cycles tell less than the bound of many
	for _, h := range b.pair.measured() {
		// Means of stretches see a sine weakened by sin(x)/x at the stretch.
		x := math.Pi * float64(h) * hz / info.SampleRate
		gain := math.Sin(float64(e.Ratio)*x) / (float64(e.Ratio) * math.Sin(x))
		turn := cmplx.Rect(1/gain, -float64(h)*cmplx.Phase(ref))
		v := signal.Phasors[slices.Index(m.Harmonics, h)] * turn
		variance := 2 * signal.Variance / n / (gain * gain)
		phaseVariance := variance/abs2(v) + float64(h*h)*refRelative
		if b.pair.signal == b.pair.reference && h == 1 {
			phaseVariance = 0
		}
		p.add(h, v, variance, phaseVariance)
	}
	p.list(b.pair.harmonics)
	return p, nil
}

// newPair begins with what the reference tells: n samples, with the variance of
// each component of its phasor relative to its squared amplitude.
func newPair(hz, n, rate, relative float64) *Pair {
	p := &Pair{FrequencyHz: hz, ENBWHz: rate / (2 * n), DurationS: n / rate}
	// Cramér–Rao bound of a frequency, var ω = 24σ²/(A²·N(N²−1)) per sample²,
	// with the white-equivalent σ² = variance·N/2 (Rife and Boorstyn 1974).
	p.SigmaFrequencyHz = math.Sqrt(12*relative/(n*n-1)) * rate / (2 * math.Pi)
	return p
}

// add takes in a harmonic: the first is the pair's own result too, and is
// listed only among others.
func (p *Pair) add(number int, v complex128, variance, phaseVariance float64) {
	h := Harmonic{Number: number, AmplitudePeakV: cmplx.Abs(v), PhaseDeg: cmplx.Phase(v) * 180 / math.Pi,
		SigmaAmplitudeRMSV: math.Sqrt(variance / 2), SigmaPhaseDeg: sigmaDeg(phaseVariance)}
	h.AmplitudeRMSV = h.AmplitudePeakV / math.Sqrt2
	if number == 1 {
		p.AmplitudePeakV, p.AmplitudeRMSV, p.PhaseDeg = h.AmplitudePeakV, h.AmplitudeRMSV, h.PhaseDeg
		p.SigmaAmplitudeRMSV, p.SigmaPhaseDeg = h.SigmaAmplitudeRMSV, h.SigmaPhaseDeg
	}
	p.Harmonics = append(p.Harmonics, h)
}

// list keeps the harmonics that were asked for.
func (p *Pair) list(wanted []int) {
	if slices.Equal(wanted, []int{1}) {
		p.Harmonics = nil
		return
	}
	p.Harmonics = slices.DeleteFunc(p.Harmonics, func(h Harmonic) bool { return !slices.Contains(wanted, h.Number) })
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
