package multitone

import (
	"math"
	"math/cmplx"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"

	"tonepose/multitone/spectrum"
)

// found is a line beside a tone.
type found struct {
	Line
	offset  float64 // from the tone [Hz]
	phasors []complex128
}

// zoom looks at the neighbourhoods of tones in n frames.
type zoom struct {
	*Foreign
	n      int
	bin    float64        // [Hz]
	rate   float64        // of frames [Hz]
	taper  []float64      // Hann, of sum 1
	reach  int            // bins
	least  float64        // chance of a bin's power, below which it is a line
	rest   [][]complex128 // by channel: what is left of the series
	power  [][]float64    // by channel: its spectrum, 0 Hz in the middle
	sorted []float64
	turns  []complex128 // of each frame

	spectrum     *spectrum.Transform
	re, im, bins []float64 // of one channel
}

func newZoom(s *Foreign, n int) *zoom {
	z := &zoom{Foreign: s, n: n, rate: s.cfg.SampleRate / float64(s.hop), turns: make([]complex128, n),
		re: make([]float64, n), im: make([]float64, n), bins: make([]float64, n)}
	z.bin = z.rate / float64(n)
	z.taper = make([]float64, n)
	hann := shape{n, []float64{0.5, 0.5}}
	for i := range z.taper {
		z.taper[i] = hann.at(float64(i)-float64(n-1)/2) / hann.spectrum(0)
	}
	z.spectrum = spectrum.NewTransform(z.taper)
	z.reach = min(int(bandBins*s.cfg.SampleRate/float64(s.lobe.length)/z.bin), n/2-floorBins-floorClear-1)
	z.least = s.chance / float64(len(s.cfg.Tones)*2*z.reach)
	for range s.cfg.Channels {
		z.rest = append(z.rest, make([]complex128, n))
		z.power = append(z.power, make([]float64, n))
	}
	return z
}

// beside finds the lines beside tone k at its frequency [Hz], the strongest first.
func (z *zoom) beside(k int, hz float64, tracked bool) (all []found) {
	z.turn(k, hz-z.cfg.Tones[k].Hz)
	guard := toneApart * z.bin
	tone := found{phasors: make([]complex128, z.cfg.Channels)}
	if !tracked { // its real frequency may be anywhere near
		guard += toneOffset * hz
		z.transform()
		if i := z.strongest(int(guard / z.bin)); i != 0 {
			tone.offset = float64(i) * z.bin
		}
		z.refine(&tone)
	} else {
		z.measure(&tone)
	}
	z.add(&tone, -1)
	for len(all) < mostForeign {
		z.transform()
		i := z.outstanding(guard, all)
		if i == 0 {
			break
		}
		f := found{offset: float64(i) * z.bin, phasors: make([]complex128, z.cfg.Channels)}
		f.Power, f.Noise = make([]float64, z.cfg.Channels), make([]float64, z.cfg.Channels)
		for c := range f.Noise {
			f.Noise[c] = z.floor(c, i)
		}
		z.refine(&f)
		z.add(&f, -1)
		all = append(all, f)
		// They leak into each other, and into the tone.
		for range 3 {
			z.add(&tone, 1)
			z.measure(&tone)
			z.add(&tone, -1)
			for j := range all {
				z.add(&all[j], 1)
				z.refine(&all[j])
				z.add(&all[j], -1)
			}
		}
	}
	for i := range all {
		z.finish(&all[i], hz)
	}
	return slices.DeleteFunc(all, func(f found) bool { return math.Abs(f.offset) < guard })
}

// turn writes the series of tone k as they are about a frequency that is off by so much
// [Hz].
func (z *zoom) turn(k int, off float64) {
	for i := range z.turns {
		z.turns[i] = unit(-cycles(off * float64(i) / z.rate))
	}
	for c, rest := range z.rest {
		series := z.series[k*z.cfg.Channels+c][:len(rest)]
		for i, turn := range z.turns[:len(rest)] {
			rest[i] = series[i] * turn
		}
	}
}

// add adds a line's series times a factor to the rest.
func (z *zoom) add(f *found, factor float64) {
	z.along(f.offset)
	for c, a := range f.phasors {
		rest := z.rest[c]
		for i, turn := range z.turns[:len(rest)] {
			rest[i] += complex(factor, 0) * a * turn
		}
	}
}

// along writes the phase of an offset [Hz] at each frame to turns, 1 in the middle.
func (z *zoom) along(offset float64) {
	middle := float64(z.n-1) / 2
	step := unit(cycles(offset / z.rate))
	var turn complex128
	for i := range z.turns {
		if i%64 == 0 { // exact again
			turn = unit(cycles(offset * (float64(i) - middle) / z.rate))
		}
		z.turns[i] = turn
		turn *= step
	}
}

// sums writes those of the channels' rest times the turns.
func (z *zoom) sums(dst []complex128) {
	for c := range dst {
		rest := z.rest[c]
		var sum complex128
		for i, turn := range z.turns[:len(rest)] {
			sum += turn * rest[i]
		}
		dst[c] = sum
	}
}

// measure takes a line's phasors in the middle from the rest.
func (z *zoom) measure(f *found) {
	z.along(f.offset)
	for i, w := range z.taper {
		z.turns[i] = complex(w, 0) * cmplx.Conj(z.turns[i])
	}
	z.sums(f.phasors)
}

// refine fits a line's frequency and phasors to the rest: Gauss and Newton's steps,
// the channels weighed by their noise.
func (z *zoom) refine(f *found) {
	var second float64 // of time about the middle [s²]
	for i, w := range z.taper {
		t := (float64(i) - float64(z.n-1)/2) / z.rate
		second += w * t * t
	}
	slopes := make([]complex128, len(f.phasors))
	for range 12 {
		z.measure(f)
		z.along(f.offset)
		for i, w := range z.taper {
			t := (float64(i) - float64(z.n-1)/2) / z.rate
			z.turns[i] = complex(w*t, 0) * cmplx.Conj(z.turns[i])
		}
		z.sums(slopes)
		var up, down float64
		for c, a := range f.phasors {
			weight := 1.0
			if f.Noise != nil {
				weight = 1 / max(f.Noise[c], 1e-300)
			}
			up += weight * imag(slopes[c]*cmplx.Conj(a))
			down += weight * abs2(a)
		}
		if !(down > 0) {
			return
		}
		f.SigmaHz = math.Sqrt(foreignVariance/(2*down)) / (2 * math.Pi * math.Sqrt(second))
		step := up / (2 * math.Pi * down * second)
		step = max(-0.5*z.bin, min(0.5*z.bin, step))
		f.offset += step
		if math.Abs(step) < 1e-3*f.SigmaHz || math.Abs(step) < 1e-12*z.rate {
			break
		}
	}
	z.measure(f)
}

// foreignVariance is that of a frequency under a Hann window over that of the noise
// that it lets through: ∫w²t²·∫w / (∫wt²·∫w²) for w = 1 + cos 2πt.
const foreignVariance = 0.6124

// transform makes the spectra of the rest.
func (z *zoom) transform() {
	for c, x := range z.rest {
		for i, v := range x {
			z.re[i], z.im[i] = real(v), imag(v)
		}
		z.spectrum.Powers(z.bins, z.re, z.im, 0)
		n := copy(z.power[c][z.n/2:], z.bins)
		copy(z.power[c], z.bins[n:])
	}
}

// at is the power in a bin from the tone.
func (z *zoom) at(c, bin int) float64 { return z.power[c][bin+z.n/2] }

// strongest is the bin about the tone that has most power on all channels.
func (z *zoom) strongest(reach int) (best int) {
	most := 0.0
	for i := -reach; i <= reach; i++ {
		var sum float64
		for c := range z.power {
			sum += z.at(c, i)
		}
		if sum > most {
			best, most = i, sum
		}
	}
	return best
}

// floor is the noise power about a bin: the larger of the medians on its two sides,
// so that no slope makes a line.
func (z *zoom) floor(c, bin int) (most float64) {
	for _, side := range []int{-1, 1} {
		z.sorted = z.sorted[:0]
		for d := floorClear; d < floorClear+floorBins; d++ {
			z.sorted = append(z.sorted, z.at(c, bin+side*d))
		}
		slices.Sort(z.sorted)
		most = max(most, (z.sorted[floorBins/2-1]+z.sorted[floorBins/2])/2/math.Ln2)
	}
	return most
}

// floorFreedom is half the degrees of freedom of a floor: the median of m powers
// of an exponential law knows their mean as m·ln²2 of them do, and powers in
// neighbouring bins of a Hann window share 1 + 2·(4/9 + 1/36) = 1.94.
const floorFreedom = floorBins * math.Ln2 * math.Ln2 / 1.94

// outstanding is the bin with the line that chance explains least; 0: there is none.
func (z *zoom) outstanding(guard float64, known []found) (best int) {
	least := z.least
	chi := distuv.ChiSquared{K: 2 * float64(z.cfg.Channels)}
	for i := -z.reach; i <= z.reach; i++ {
		off := float64(i) * z.bin
		if math.Abs(off) < guard || slices.ContainsFunc(known, func(f found) bool { return math.Abs(f.offset-off) < 2*toneApart*z.bin }) || !z.peaks(i) {
			continue
		}
		// By chance each power is at least as large with a probability p, by Fisher's
		// F; the chance of all of them is that of −2Σ ln p (Fisher 1932; Brown's
		// correction is not needed: channels have their own noise).
		// What is no more than usual is quite probable, and so are most bins.
		alone := z.excess(i, false)
		if alone <= chi.K || chi.Survival(alone) >= least {
			continue // the other side alone explains it: medians cost more
		}
		if p := chi.Survival(z.excess(i, true)); p < least {
			best, least = i, p
		}
	}
	return best
}

// excess is −2Σ ln p over the channels, p being the chance of a bin's power over that
// on the tone's other side and, if asked for, over the noise about it.
func (z *zoom) excess(i int, noise bool) float64 {
	const large = 1e150
	sum, product := 0.0, 1.0 // of logarithms; of what they are still to be taken of
	for c := range z.power {
		floor := max(z.at(c, -i-1), z.at(c, -i), z.at(c, -i+1))
		if noise {
			floor = max(floor, z.floor(c, i))
		}
		if floor > 0 {
			if product *= 1 + z.at(c, i)/floor/floorFreedom; product > large {
				sum, product = sum+math.Log(product), 1
			}
		}
	}
	return 2 * floorFreedom * (sum + math.Log(product))
}

// peaks tells that a bin is higher than its neighbours on some channel.
func (z *zoom) peaks(i int) bool {
	for c := range z.power {
		if p := z.at(c, i); p >= z.at(c, i-1) && p >= z.at(c, i+1) && p > 0 {
			return true
		}
	}
	return false
}

// finish states a line as it is in the samples.
func (z *zoom) finish(f *found, hz float64) {
	f.Hz = hz + f.offset
	pass := z.lobe.spectrum(z.cfg.omega(f.offset)) / z.lobe.spectrum(0)
	pass *= pass
	for c, a := range f.phasors {
		f.Power[c] = max(0, abs2(a)-f.Noise[c]) / pass
		// A phasor of n white samples under a Hann window has a mean square of
		// 4·1.5/n times their variance.
		f.Noise[c] *= float64(z.n*z.hop) / 6 / pass
	}
}
