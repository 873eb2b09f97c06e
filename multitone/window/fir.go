package window

import (
	"fmt"
	"math"
	"math/bits"
	"math/cmplx"

	"gonum.org/v1/gonum/dsp/fourier"
)

const (
	maxTaps       = 1 << 22
	defaultStopDB = 120
)

// newFIR finds the shortest odd, symmetric, Kaiser-windowed sinc with the wanted cutoff
// or ENBW that holds the attenuation from stop on. The attenuation is measured, not
// trusted to Kaiser's formula: when it falls short the design aims higher.
//
// Source: Kaiser, Nonrecursive digital filter design using the I₀-sinh window
// function, Proc. IEEE Int. Symp. Circuits and Systems, 1974 (length and β from
// attenuation and transition width).
func newFIR(w band, stop, stopDB float64) (sampled, error) {
	if w.tau > 0 {
		w = band{cutoff: 1 / (2 * math.Pi * w.tau)}
	}
	wanted, figure := w.cutoff, tapCutoff
	if w.enbw > 0 {
		wanted, figure = w.enbw, tapENBW
	}
	if stop == 0 {
		stop = math.Min(2.5*wanted, 0.5*(wanted+0.5))
	}
	if stopDB == 0 {
		stopDB = defaultStopDB
	}
	if !(stop >= 1.05*wanted && stop < 0.5) {
		return sampled{}, fmt.Errorf("window: fir stop-band from %.4g times the cutoff, %.4g of the sample rate: must begin at 1.05 times the cutoff or later and below half the rate", stop/wanted, stop)
	}
	if !(stopDB >= 20 && stopDB <= 200) {
		return sampled{}, fmt.Errorf("window: fir stop-band attenuation %g dB: must lie in 20..200", stopDB)
	}
	aim := stopDB + 0.5
	for range 20 {
		k := kaiserSinc(aim)
		n, err := k.length(wanted, stop, figure)
		if err != nil {
			return sampled{}, err
		}
		h, taper := make([]float64, n), k.taper(n)
		windowedSinc(h, taper, root(0, stop, func(c float64) float64 {
			windowedSinc(h, taper, c)
			return figure(h) - wanted
		}))
		if got := stopAttenuation(h, stop); got < stopDB {
			aim += math.Max(0.2, math.Min(5, stopDB-got))
			continue
		}
		cutoff := tapCutoff(h)
		return ofTaps(h, cutoff, 1/(2*math.Pi*cutoff)), nil
	}
	return sampled{}, fmt.Errorf("window: fir with %g dB from %.4g of the sample rate not found: begin the stop-band later or ask for less", stopDB, stop)
}

// kaiser is the family of Kaiser-windowed sincs with one sidelobe level.
type kaiser struct{ beta, halfTransition float64 } // halfTransition·(taps−1): half the transition width

func kaiserSinc(attenuation float64) kaiser {
	k := kaiser{halfTransition: (attenuation - 7.95) / (2 * 14.36)}
	switch {
	case attenuation > 50:
		k.beta = 0.1102 * (attenuation - 8.7)
	case attenuation > 21:
		k.beta = 0.5842*math.Pow(attenuation-21, 0.4) + 0.07886*(attenuation-21)
	default:
		k.halfTransition = 0.9222 / 2
	}
	return k
}

// taper returns the first half, middle included, of n samples of the Kaiser taper.
func (k kaiser) taper(n int) []float64 {
	w := make([]float64, (n+1)/2)
	half := float64(n-1) / 2
	for i := range w {
		u := (float64(i) - half) / half
		w[i] = besselI0(k.beta * math.Sqrt(math.Max(0, 1-u*u)))
	}
	return w
}

// windowedSinc writes to h, sum 1, the sinc with edges ±c cycles per sample under
// a taper of odd length n = len(h) ≥ 3.
func windowedSinc(h, taper []float64, c float64) {
	n := len(h)
	sum := 0.0
	for i, w := range taper {
		if x := 2 * math.Pi * c * (float64(i) - float64(n-1)/2); x != 0 {
			w *= math.Sin(x) / x
		}
		h[i], h[n-1-i] = w, w
		sum += 2 * w
	}
	sum -= h[n/2]
	for i := range h {
		h[i] /= sum
	}
}

// length returns the smallest odd number of taps with which the figure can reach
// what is wanted while the transition ends at stop. The search runs on a coarse
// copy of the filter, since only products of frequency and duration matter.
func (k kaiser) length(wanted, stop float64, figure func([]float64) float64) (int, error) {
	const coarse = 2049
	large, largeTaper := make([]float64, coarse), k.taper(coarse)
	reach := func(span, c float64) float64 { // the figure when n−1 = span
		if span < coarse-1 {
			h := make([]float64, max(int(span)/2*2+1, 3))
			windowedSinc(h, k.taper(len(h)), c)
			return figure(h)
		}
		scale := span / (coarse - 1)
		windowedSinc(large, largeTaper, c*scale)
		return figure(large) / scale
	}
	// At this span the taper alone (c = 0) ends its main lobe at stop.
	shortest := k.halfTransition / stop
	enough := func(span float64) bool { return reach(span, stop-k.halfTransition/span) >= wanted }
	if reach(shortest, 0) >= wanted { // too wide: stretch the taper until it is narrow enough
		enough = func(span float64) bool { return reach(span, 0) <= wanted }
	}
	lo, span := shortest, shortest
	for !enough(span) && span < maxTaps {
		lo, span = span, 2*span
	}
	for span-lo > 1+1e-4*span {
		if mid := (lo + span) / 2; enough(mid) {
			span = mid
		} else {
			lo = mid
		}
	}
	if span >= maxTaps {
		return 0, fmt.Errorf("window: fir needs more than %d taps: lower the sample rate first, or begin the stop-band later", maxTaps)
	}
	return max(int(math.Ceil(span/2))*2+1, 3), nil
}

// stopAttenuation returns the smallest attenuation [dB] from stop to half the
// rate. It looks on a grid of 1/16 bin, and of 1/64 bin right after stop, where
// the first lobe may be a narrow one; what hides between is below 0.2 dB, which
// is taken off.
func stopAttenuation(h []float64, stop float64) float64 {
	size := 1 << bits.Len(uint(16*len(h)-1)) // a power of two: fast
	padded := make([]float64, size)
	copy(padded, h)
	worst := 0.0
	for i, c := range fourier.NewFFT(size).Coefficients(nil, padded) {
		if float64(i) >= stop*float64(size) {
			worst = math.Max(worst, cmplx.Abs(c))
		}
	}
	for i := range 128 {
		if f := stop + float64(i)/float64(64*len(h)); f <= 0.5 {
			worst = math.Max(worst, cmplx.Abs(transform(h, f)))
		}
	}
	return -decibels(worst) - 0.2
}

// tapCutoff returns the lowest frequency where a low-pass of n taps, sum 1, has
// lost 3 dB [cycles per sample].
func tapCutoff(h []float64) float64 {
	// The pass-band's ripple is far below 3 dB and the stop-band's far beyond: H
	// crosses once, and doubling can't jump over it.
	lo, hi := 0.0, math.Min(0.25/float64(len(h)), 0.5)
	for real(transform(h, hi)) >= math.Sqrt2/2 {
		if hi == 0.5 {
			return math.NaN()
		}
		lo, hi = hi, math.Min(2*hi, 0.5)
	}
	return root(lo, hi, func(f float64) float64 { return math.Sqrt2/2 - real(transform(h, f)) })
}

// tapENBW returns ½·Σh²/(Σh)² [cycles per sample].
func tapENBW(h []float64) float64 { return NENBW(h) / (2 * float64(len(h))) }

// tapSettling returns how many samples of a step leave no more than remaining.
func tapSettling(h []float64, remaining float64) float64 {
	left := 0.0
	for k := len(h) - 1; k >= 0; k-- {
		left += h[k] // what k samples of the step leave undone
		if math.Abs(left) > remaining {
			return float64(k + 1)
		}
	}
	return 0
}

// ofTaps is the filter of symmetric taps, sum 1.
func ofTaps(h []float64, cutoff, tau float64) sampled {
	delay := float64(len(h)-1) / 2
	return sampled{
		enbw: tapENBW(h), cutoff: cutoff, tau: tau, delay: delay, taps: h,
		response: func(cycles float64) complex128 {
			return transform(h, cycles) * cmplx.Rect(1, -2*math.Pi*cycles*delay)
		},
		settling: func(remaining float64) float64 { return tapSettling(h, remaining) },
		newState: func() state { return &tapState{taps: h, past: make([]complex128, 2*len(h))} },
	}
}
