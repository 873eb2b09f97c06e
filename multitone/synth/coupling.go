package synth

import (
	"fmt"
	"math"
	"slices"

	"tonepose/multitone/internal/kernel"
)

// knots holds the couplings at the multiples of step that the present chunk
// needs.
type knots struct {
	source Couplings
	step   float64
	width  int   // couplings at one knot
	first  int64 // multiple of step of the first knot held
	held   []knot
	spare  []knot
}

type knot struct{ m, dm []complex128 }

// cover makes the knots from below time a to above time b available. The times
// of successive calls rise.
func (k *knots) cover(a, b float64) error {
	lo, hi := int64(math.Floor(a/k.step)), int64(math.Floor(b/k.step))+1
	if len(k.held) == 0 {
		k.first = lo
	}
	for len(k.held) > 0 && k.first < lo {
		k.spare = append(k.spare, k.held[0])
		k.held = slices.Delete(k.held, 0, 1)
		k.first++
	}
	for next := k.first + int64(len(k.held)); next <= hi; next++ {
		if len(k.spare) == 0 {
			k.spare = append(k.spare, knot{make([]complex128, k.width), make([]complex128, k.width)})
		}
		n := k.spare[len(k.spare)-1]
		k.spare = k.spare[:len(k.spare)-1]
		t := float64(next) * k.step
		if err := k.source(t, n.m, n.dm); err != nil {
			return fmt.Errorf("synth: couplings at %.6f s: %w", t, err)
		}
		k.held = append(k.held, n)
	}
	return nil
}

// cubic is M over one interval: c[0] + c[1]·u + c[2]·u² + c[3]·u³, u in seconds
// from the interval's knot.
type cubic [4]complex128

// interval returns the cubic Hermite polynomial of coupling j from the knot at
// multiple i to the next. A value or slope that is not finite is reported.
func (k *knots) interval(i int64, j int) (cubic, error) {
	a, b := k.held[i-k.first], k.held[i-k.first+1]
	per := complex(1/k.step, 0)
	rise := (b.m[j] - a.m[j]) * per
	c := cubic{a.m[j], a.dm[j], (3*rise - 2*a.dm[j] - b.dm[j]) * per, (a.dm[j] + b.dm[j] - 2*rise) * per * per}
	if s := real(c[0]) + imag(c[0]) + real(c[3]) + imag(c[3]); math.IsNaN(s) || math.IsInf(s, 0) {
		return c, fmt.Errorf("synth: couplings from %.6f s on: entry %d is not finite", float64(i)*k.step, j)
	}
	return c, nil
}

// subtract adds −d(λ)/dt of one coupling times gain (complex: a phasor's
// factor) to dst; u is dst[0]'s time from the knot [s], step the sample period.
func (c cubic) subtract(dst []float64, i current, at int, u, step float64, gain complex128) {
	c0, c1, c2, c3 := -gain*c[0], -gain*c[1], -gain*c[2], -gain*c[3]
	re, im := i.re[at:at+len(dst)], i.im[at:at+len(dst)]
	dre, dim := i.dre[at:at+len(dst)], i.dim[at:at+len(dst)]
	r0, r1, r2, r3 := real(c0), real(c1), real(c2), real(c3)
	if imag(c0) == 0 && imag(c1) == 0 && imag(c2) == 0 && imag(c3) == 0 {
		kernel.Induce(dst, re, dre, [4]float64{r0, r1, r2, r3}, u, step)
		return
	}
	q0, q1, q2, q3 := imag(c0), imag(c1), imag(c2), imag(c3)
	for n := range dst {
		x := u + float64(n)*step
		dst[n] += (r0+x*(r1+x*(r2+x*r3)))*dre[n] + (r1+x*(2*r2+x*3*r3))*re[n] -
			(q0+x*(q1+x*(q2+x*q3)))*dim[n] - (q1+x*(2*q2+x*3*q3))*im[n]
	}
}
