package window

import "math"

// root returns x in lo..hi with f(x) = 0 to rounding; f(lo) and f(hi) must differ
// in sign, else the end nearer to zero comes back.
//
// Source: Ridders, IEEE Trans. Circuits and Systems 26(11), 1979.
func root(lo, hi float64, f func(float64) float64) float64 {
	flo, fhi := f(lo), f(hi)
	if (flo > 0) == (fhi > 0) && flo != 0 && fhi != 0 {
		if math.Abs(flo) < math.Abs(fhi) {
			return lo
		}
		return hi
	}
	for range 100 {
		if flo == 0 {
			return lo
		}
		if fhi == 0 {
			return hi
		}
		mid := lo + (hi-lo)/2
		if mid <= lo || mid >= hi || hi-lo < 1e-15*math.Abs(hi) {
			return mid
		}
		fmid := f(mid)
		if fmid == 0 {
			return mid
		}
		x := mid + (mid-lo)*math.Copysign(fmid, flo*fmid)/math.Sqrt(fmid*fmid-flo*fhi)
		if !(x > lo && x < hi) {
			x = mid
		}
		fx := f(x)
		// Keep the shortest bracket that mid and x allow.
		for _, p := range [2][2]float64{{mid, fmid}, {x, fx}} {
			if p[0] <= lo || p[0] >= hi {
				continue
			}
			if (p[1] > 0) == (flo > 0) && p[1] != 0 {
				lo, flo = p[0], p[1]
			} else {
				hi, fhi = p[0], p[1]
			}
		}
		if fx == 0 {
			return x
		}
	}
	return lo + (hi-lo)/2
}
