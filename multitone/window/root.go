package window

import "math"

// root returns x in a..b with f(x) = 0 to rounding, by the secant method with the
// value of an end that stays halved each time (Illinois); f(a) and f(b) must differ
// in sign, else the end nearer to zero comes back.
//
// Source: Dowell and Jarratt, BIT 11, 1971.
func root(a, b float64, f func(float64) float64) float64 {
	fa, fb := f(a), f(b)
	if fa*fb > 0 {
		if math.Abs(fa) < math.Abs(fb) {
			return a
		}
		return b
	}
	for range 100 {
		x := b - fb*(b-a)/(fb-fa)
		if x == a || x == b || math.Abs(b-a) < 1e-15*math.Abs(b) {
			return x
		}
		fx := f(x)
		if fx*fb < 0 {
			a, fa = b, fb
		} else {
			fa /= 2
		}
		b, fb = x, fx
	}
	return b
}

// firstWithin returns the least whole number in lo+1..hi that is within; lo is not, hi
// is, and so are all after the first.
func firstWithin(lo, hi float64, within func(float64) bool) float64 {
	for hi-lo > 1 {
		if mid := math.Floor((lo + hi) / 2); within(mid) {
			hi = mid
		} else {
			lo = mid
		}
	}
	return hi
}
