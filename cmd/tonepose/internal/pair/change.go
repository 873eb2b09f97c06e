package pair

import (
	"context"
	"fmt"
	"math"
	"math/cmplx"
	"slices"

	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"

	"tonepose/cmd/tonepose/internal/stream"
	"tonepose/multitone/recording"
	"tonepose/multitone/sine"
)

const (
	// A recording is cut into so many parts to see whether its signal keeps still:
	// what changes more quickly stands in the spectrum as lines of its own.
	changeParts = 8
	// partCycles and partSamples are what a part must hold at least, fitCycles where
	// sines are fitted to it.
	partCycles, partSamples = 16, 256
	fitCycles               = 3
	// changeChance is the probability below which parts that differ are no chance.
	changeChance = 1e-5
	// meteredFreedom is of the noise of a measured phasor: two squares of each of the
	// 16 places in the spectrum where it is seen at least.
	meteredFreedom = 32
)

// part is what one part of a recording shows.
type part struct {
	time      float64
	reference complex128   // raw phasor
	relative  float64      // variance of its components over its squared size
	values    []complex128 // of each harmonic, against the reference
}

// parts measures a recording and the parts of it, of which there are fewer where the
// parts would not tell a tone from a line that the whole does; nil: less than two.
func (p *Pair) parts(ctx context.Context, r *recording.Reader, s *stream.Survey, progress stream.Progress) (whole *stream.Measured, list []part, err error) {
	seconds := p.info.Duration()
	m := p.measurement(s, stream.Windows{})
	n := min(changeParts, p.tones[0].Hz*seconds/partCycles, float64(p.info.Samples)/partSamples)
	lines := slices.Clone(m.Joint)
	for _, l := range s.Lines {
		lines = append(lines, l.Hz)
	}
	for _, line := range lines {
		for _, t := range p.tones {
			if bins := math.Abs(line-t.Hz) * seconds; bins > 1 {
				n = min(n, bins/1.5)
			}
		}
	}
	interval := func(start, stop float64) {
		m.Windows.Intervals = append(m.Windows.Intervals, stream.Interval{Start: start, Stop: stop, Origin: p.info.Name})
	}
	interval(0, seconds)
	if n = math.Floor(n); n >= 2 {
		for i := range int(n) {
			interval(seconds/n*float64(i), seconds/n*float64(i+1))
		}
	}
	_, err = stream.Measure(ctx, r, s, m, func(f *stream.Measured) error {
		if f.Stop-f.Start == p.info.Samples {
			all := *f
			whole = &all
			return nil
		}
		ref, variance := f.At(0, p.reference)
		v := part{time: f.Time, reference: f.Reference[0], relative: p.relative(ref, variance, f.Hz[0], float64(f.Stop-f.Start))}
		for _, h := range p.harmonics {
			z, _, _ := p.read(f, h)
			v.values = append(v.values, z)
		}
		list = append(list, v)
		return nil
	}, progress)
	if err == nil && whole == nil {
		err = fmt.Errorf("%s ends before the %d samples that it states", p.info.Name, p.info.Samples)
	}
	return whole, list, err
}

// fitParts fits sines to parts of the samples of a short recording, and returns the
// variance of each component of a part's values, with its degrees of freedom.
func (p *Pair) fitParts(ctx context.Context, m *sine.Model) (list []part, variances []float64, freedom float64, err error) {
	e := p.direct
	samples, unknown := len(e.Reference), 2*(len(m.Harmonics)+len(m.Others))+2
	n := min(changeParts/2, int(m.Hz*float64(samples)/e.Rate/fitCycles), samples/(4*unknown))
	variances = make([]float64, len(p.harmonics))
	if n < 2 {
		return nil, variances, 0, nil
	}
	for i := range n {
		from, to := i*samples/n, (i+1)*samples/n
		reference, err := m.Fit(ctx, e.Reference[from:to])
		if err != nil {
			return nil, nil, 0, err
		}
		signal, err := m.Fit(ctx, e.Signal[from:to])
		if err != nil {
			return nil, nil, 0, err
		}
		covariance, err := signal.Covariance()
		if err != nil {
			return nil, nil, 0, err
		}
		ref := reference.Phasors[0]
		all := float64((to - from) * e.Ratio)
		v := part{relative: p.relative(ref, 2*reference.Variance/float64(to-from), m.Hz, all)}
		for k, h := range p.harmonics {
			at := slices.Index(m.Harmonics, h.number)
			v.values = append(v.values, signal.Phasors[at]*cmplx.Rect(1, -float64(h.number)*cmplx.Phase(ref)))
			variance := (covariance.At(2*at, 2*at) + covariance.At(2*at+1, 2*at+1)) / 2
			variances[k] += p.floored(variance, p.signal, cmplx.Abs(signal.Phasors[at]), float64(h.number)*m.Hz, all) / float64(n)
		}
		list = append(list, v)
		freedom += float64(to - from - unknown)
	}
	return list, variances, freedom, nil
}

// change is how far the values of a harmonic lie about their mean beyond their
// variance, that of each component: a mean square [V²], 0 where chance explains it.
func change(list []part, k, number int, variance, freedom float64) float64 {
	n := float64(len(list))
	if n < 2 {
		return 0
	}
	var mean complex128
	var relative float64
	for _, v := range list {
		mean += v.values[k] / complex(n, 0)
		relative += v.relative / n
	}
	turn := complex(1, 0)
	if mean != 0 {
		turn = cmplx.Conj(mean) / complex(cmplx.Abs(mean), 0)
	}
	// The reference's noise is in the phase alone.
	across := variance + float64(number*number)*relative*abs2(mean)
	var square, power float64
	for _, v := range list {
		d := (v.values[k] - mean) * turn
		square += real(d)*real(d)/variance + imag(d)*imag(d)/across
		power += abs2(d) / (n - 1)
	}
	dof := 2 * (n - 1)
	if (distuv.F{D1: dof, D2: freedom}).Survival(square/dof) > changeChance {
		return 0
	}
	return max(0, power-variance-across)
}

// wander is how far the frequency of the reference wanders about one that is constant
// [Hz], 0 where chance explains it.
func wander(list []part, hz float64) float64 {
	n := len(list)
	if n < 3 {
		return 0
	}
	var times, phases []float64
	var relative float64
	for i, v := range list {
		turns := cmplx.Phase(v.reference)/(2*math.Pi) - hz*v.time
		if i > 0 {
			turns = phases[i-1] + math.Remainder(turns-phases[i-1], 1)
		}
		times, phases = append(times, v.time), append(phases, turns)
		relative += v.relative / float64(n)
	}
	offset, slope := stat.LinearRegression(times, phases, nil, false)
	var square, rates float64
	for i, t := range times {
		phases[i] -= offset + slope*t
		square += 4 * math.Pi * math.Pi * phases[i] * phases[i]
		if i > 0 {
			rate := (phases[i] - phases[i-1]) / (t - times[i-1])
			rates += rate * rate / float64(n-1)
		}
	}
	dof := float64(n - 2)
	if (distuv.F{D1: dof, D2: meteredFreedom}).Survival(square/relative/dof) > changeChance {
		return 0
	}
	return math.Sqrt(rates)
}
