package window

import (
	"math"
	"math/cmplx"

	"gonum.org/v1/gonum/dsp/fourier"
)

// fillChebyshev writes the taper with the narrowest main lobe that is ratio times as
// high as its sidelobes, all of them equal. It exists per length N only:
//
//	W(k) = T_{N−1}(β cos(πk/N)), β = cosh(arcosh(ratio)/(N−1)),
//
// transformed back and divided by its largest value. Filling a prime length takes
// O(N²).
//
// Source: Dolph, Proc. IRE 34, 1946; Harris, Proc. IEEE 66(1), 1978, eq. (41).
func fillChebyshev(dst []float64, ratio float64) {
	n := len(dst)
	if n < 3 { // order 0 or 1 leaves no freedom: equal weights
		for i := range dst {
			dst[i] = 1
		}
		return
	}
	order := float64(n - 1)
	beta := math.Cosh(math.Acosh(ratio) / order)
	p := make([]complex128, n)
	for k := range p {
		t := chebyshevT(order, beta*math.Cos(math.Pi*float64(k)/float64(n)))
		if n%2 == 0 { // the middle lies between two samples: half a sample of phase
			p[k] = cmplx.Rect(t, math.Pi*float64(k)/float64(n))
		} else {
			p[k] = complex(t, 0)
		}
	}
	fourier.NewCmplxFFT(n).Coefficients(p, p)
	// p now runs from the middle outwards.
	first := 1 - n%2
	peak := 0.0
	for i := 0; i < (n+1)/2; i++ {
		peak = math.Max(peak, real(p[first+i]))
	}
	for i := 0; i < (n+1)/2; i++ {
		w := real(p[first+i]) / peak
		dst[n/2+i], dst[n-1-n/2-i] = w, w
	}
}

// chebyshevT returns Tₘ(x) for whole m.
func chebyshevT(m, x float64) float64 {
	switch {
	case x > 1:
		return math.Cosh(m * math.Acosh(x))
	case x < -1:
		return math.Cos(math.Pi*m) * math.Cosh(m*math.Acosh(-x))
	}
	return math.Cos(m * math.Acos(x))
}
