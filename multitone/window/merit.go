package window

import (
	"math"
	"math/cmplx"

	"gonum.org/v1/gonum/dsp/fourier"
	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/stat"
)

// Merit holds the figures of merit of a taper. Frequencies are in bins of fs/N.
//
// Source: Harris, Proc. IEEE 66(1), 1978, section IV.
type Merit struct {
	CoherentGain      float64 // Σw/N, dimensionless
	NENBW             float64 // equivalent noise bandwidth N·Σw²/(Σw)² [bins]
	Width3dB          float64 // full width at half power [bins]
	Width6dB          float64 // full width at half amplitude [bins]
	Scalloping        float64 // loss of a tone half a bin off [dB]
	Flatness          float64 // largest deviation from the middle within half a bin [dB], signed
	ProcessLoss       float64 // worst-case loss of signal-to-noise: scalloping + 10·lg NENBW [dB]
	HighestSidelobe   float64 // relative to the main lobe [dB], negative
	MainLobeHalfWidth float64 // to the first null, or first minimum where there is no null [bins]
	SidelobeFalloff   float64 // slope of the sidelobes' peaks, 4 to 16 half widths out [dB/octave]; NaN where fewer than four stand above rounding
}

// NENBW returns the equivalent noise bandwidth N·Σw²/(Σw)² [bins], without the
// other figures' cost.
func NENBW(w []float64) float64 {
	sum := floats.Sum(w)
	return float64(len(w)) * floats.Dot(w, w) / (sum * sum)
}

const (
	oversampling  = 16    // grid points a bin when sidelobes are searched
	spectrumFloor = 1e-15 // relative to Σ|w|: below, the transform is rounding
)

// Figures computes the figures of merit of the weights w from their discrete-time
// Fourier transform. Fields that do not exist for w are NaN: the boxcar of one
// sample has no sidelobe, an all-zero w has nothing.
func Figures(w []float64) Merit {
	n := len(w)
	nan := math.NaN()
	m := Merit{0, nan, nan, nan, nan, nan, nan, nan, nan, nan}
	sum := floats.Sum(w)
	if n == 0 || sum == 0 {
		return m
	}
	m.CoherentGain = sum / float64(n)
	m.NENBW = NENBW(w)
	gain := func(bins float64) float64 { return magnitude(w, bins) / math.Abs(sum) }
	m.Scalloping = -decibels(gain(0.5))
	m.Flatness = flatness(gain)
	m.ProcessLoss = m.Scalloping + 10*math.Log10(m.NENBW)
	m.Width3dB = 2 * halfWidth(gain, n, math.Sqrt2/2)
	m.Width6dB = 2 * halfWidth(gain, n, 0.5)
	if math.IsNaN(m.Width6dB) {
		return m
	}

	// The spectrum on a fine grid, 0..fs/2.
	size := oversampling * n
	padded := make([]float64, size)
	copy(padded, w)
	coeff := fourier.NewFFT(size).Coefficients(nil, padded)
	grid := make([]float64, len(coeff))
	for i, c := range coeff {
		grid[i] = cmplx.Abs(c) / math.Abs(sum)
	}
	first := int(m.Width6dB / 2 * oversampling)
	for first+1 < len(grid) && grid[first+1] < grid[first] {
		first++
	}
	if first+1 >= len(grid) {
		return m
	}
	m.MainLobeHalfWidth = extremum(gain, float64(first)/oversampling, -1)

	var logs, levels []float64
	top := 0
	for i := first + 1; i < len(grid); i++ {
		if grid[i] < grid[i-1] || (i+1 < len(grid) && grid[i] < grid[i+1]) {
			continue
		}
		if top == 0 || grid[i] > grid[top] {
			top = i
		}
		f := float64(i) / oversampling
		if f > 4*m.MainLobeHalfWidth && f < 16*m.MainLobeHalfWidth && f < float64(n)/8 && grid[i] > 30*spectrumFloor {
			logs = append(logs, math.Log2(f))
			levels = append(levels, decibels(grid[i]))
		}
	}
	if top > 0 {
		m.HighestSidelobe = decibels(gain(extremum(gain, float64(top)/oversampling, 1)))
	}
	if len(logs) >= 4 {
		_, m.SidelobeFalloff = stat.LinearRegression(logs, levels, nil, false)
	}
	return m
}

// transform returns Σ w[i] e^{−jωi}, i counted from the middle, ω = 2π·cycles; it is
// real for symmetric weights. The phase is a rotation that starts anew every 64 samples,
// so that rounding stays below 64·2⁻⁵³ of Σ|w|.
func transform(w []float64, cycles float64) complex128 {
	step := 2 * math.Pi * cycles
	ds, dc := math.Sincos(step)
	var re, im float64
	for start := 0; start < len(w); start += 64 {
		s, c := math.Sincos(step * (float64(start) - float64(len(w)-1)/2))
		for _, x := range w[start:min(start+64, len(w))] {
			re += x * c
			im -= x * s
			s, c = s*dc+c*ds, c*dc-s*ds
		}
	}
	return complex(re, im)
}

func magnitude(w []float64, bins float64) float64 {
	return cmplx.Abs(transform(w, bins/float64(len(w))))
}

// halfWidth returns the lowest frequency [bins] at which gain falls to level.
func halfWidth(gain func(float64) float64, n int, level float64) float64 {
	const step = 1.0 / oversampling
	for f := step; f <= float64(n)/2; f += step {
		if gain(f) < level {
			return root(f-step, f, func(f float64) float64 { return gain(f) - level })
		}
	}
	return math.NaN()
}

// flatness returns the deviation from gain(0) [dB] that is largest in magnitude
// within half a bin.
func flatness(gain func(float64) float64) float64 {
	deviation := func(f float64) float64 { return math.Abs(decibels(gain(f))) }
	inner := 1.0 / oversampling // a flat-top's ripple peaks inside
	for i := 2; i < oversampling/2; i++ {
		if f := float64(i) / oversampling; deviation(f) > deviation(inner) {
			inner = f
		}
	}
	at := math.Min(0.5, extremum(deviation, inner, 1))
	if deviation(0.5) > deviation(at) { // a bell is worst at the half bin
		at = 0.5
	}
	return decibels(gain(at))
}

// extremum refines a maximum (sign 1) or minimum (sign −1) of gain found on the
// grid at f0 by golden-section search.
func extremum(gain func(float64) float64, f0, sign float64) float64 {
	const golden = 0.6180339887498949
	a, b := f0-1.0/oversampling, f0+1.0/oversampling
	x1, x2 := b-golden*(b-a), a+golden*(b-a)
	g1, g2 := sign*gain(x1), sign*gain(x2)
	for b-a > 1e-9 {
		if g1 > g2 {
			b, x2, g2 = x2, x1, g1
			x1 = b - golden*(b-a)
			g1 = sign * gain(x1)
		} else {
			a, x1, g1 = x1, x2, g2
			x2 = a + golden*(b-a)
			g2 = sign * gain(x2)
		}
	}
	return (a + b) / 2
}

func decibels(amplitude float64) float64 { return 20 * math.Log10(amplitude) }
