package kernel

import "tonepose/fieldmodels/variant"

// Polynomial sets dst to c₀ + c₁·t + c₂·t² + …, t = x + step·sample, of two terms or more.
func Polynomial(dst, c []float64, x, step float64) { polynomial(dst, c, x, step) }

func polynomialGo(dst, c []float64, x, step float64) { polynomialFrom(0, dst, c, x, step) }

// polynomialFrom is polynomialGo from a sample on.
func polynomialFrom(first int, dst, c []float64, x, step float64) {
	for i := first; i < len(dst); i++ {
		t, sum := x+float64(i)*step, c[len(c)-1]
		for k := len(c) - 2; k >= 0; k-- {
			sum = sum*t + c[k]
		}
		dst[i] = sum
	}
}

var (
	polynomial       = polynomialGo
	polynomialKernel = variant.New("multitone.Polynomial", &polynomial)
)
