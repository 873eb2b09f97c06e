package window

import (
	"math"
	"math/cmplx"
)

// butterworth is the bilinear image of |H|² = 1/(1 + (Ω/Ωc)^{2n}) under
// Ω = tan(πf/fs), so that |H|² = 1/2 at the cutoff itself.
type butterworth struct {
	n int
	g float64 // Ωc = tan(π·cutoff/fs)
}

func newButterworth(n int, w band) butterworth {
	f := w.cutoff
	switch {
	case w.tau > 0:
		f = 1 / (2 * math.Pi * w.tau)
	case w.enbw > 0:
		return butterworth{n, root(0, 1, func(g float64) float64 { return butterworth{n, g}.enbw() - w.enbw })}
	}
	return butterworth{n, math.Tan(math.Pi * f)}
}

// pole returns the k-th of the n poles of the analogue prototype, Ωc = 1.
func (b butterworth) pole(k int) complex128 {
	return cmplx.Rect(1, math.Pi/2+math.Pi*(2*float64(k)+1)/(2*float64(b.n)))
}

// damping returns 1/Q of the k-th conjugate pair: H = 1/(u² + damping·u + 1).
func (b butterworth) damping(k int) float64 {
	return 2 * math.Sin(math.Pi*(2*float64(k)+1)/(2*float64(b.n)))
}

func (b butterworth) response(f float64) complex128 {
	x := math.Tan(math.Pi*f) / b.g
	if math.Abs(x) > 1e30 { // half the sample rate, where the bilinear image has its zeros
		return 0
	}
	h := complex(1, 0)
	for k := 0; k < b.n/2; k++ {
		h /= complex(1-x*x, x*b.damping(k))
	}
	if b.n%2 == 1 {
		h /= complex(1, x)
	}
	return h
}

// enbw is (1/π)∫₀^∞ dΩ / ((1 + (Ω/Ωc)^{2n})(1 + Ω²)). The residues at Ω = j and at
// the filter's poles give it in closed form; they nearly cancel when Ωc nears 1, so
// a wide filter takes the trapezoid rule over Ω = Ωc·tan φ, which converges
// exponentially there.
func (b butterworth) enbw() float64 {
	n := float64(b.n)
	if b.g < 0.1 {
		sign := 1.0
		if b.n%2 == 1 {
			sign = -1
		}
		r := 1 / (2i) * complex(1/(1+sign*math.Pow(b.g, -2*n)), 0)
		for k := 0; k < b.n; k++ {
			p := cmplx.Rect(b.g, math.Pi*(2*float64(k)+1)/(2*n))
			r -= p / complex(2*n, 0) / (1 + p*p)
		}
		return real(1i * r) // (1/π)·½·2πj·Σ residues
	}
	const steps = 2048
	sum := 0.5 * b.g // φ = 0; at φ = π/2 the integrand is 0
	for i := 1; i < steps; i++ {
		s, c := math.Sincos(math.Pi / 2 * float64(i) / steps)
		c2, s2 := math.Pow(c, 2*n), math.Pow(s, 2*n)
		sum += c2 / (c2 + s2) / (b.g * (c*c/(b.g*b.g) + s*s))
	}
	return sum / (2 * steps)
}

func (b butterworth) cutoff() float64 { return math.Atan(b.g) / math.Pi }

func (b butterworth) sampled() sampled {
	return sampled{
		enbw: b.enbw(), cutoff: b.cutoff(), tau: 1 / (2 * math.Pi * b.cutoff()),
		// the prototype's 1/(ωc·sin(π/2n)) with ωc = 2Ωc per sample
		delay:    1 / (2 * b.g * math.Sin(math.Pi/(2*float64(b.n)))),
		response: b.response, settling: b.settling, newState: b.newState, modes: b.modes,
	}
}

// settling expands H in partial fractions Σ cᵢ/(u−sᵢ), u = (z−1)/(Ωc(z+1)). After
// k+1 samples of a step there remains −Σ cᵢ/(sᵢ(1−Ωc sᵢ))·pᵢᵏ, with the poles
// pᵢ = (1+Ωc sᵢ)/(1−Ωc sᵢ).
func (b butterworth) settling(remaining float64) float64 {
	g := complex(b.g, 0)
	weight, logPole := make([]complex128, b.n), make([]complex128, b.n)
	bound, slowest := 0.0, math.Inf(-1)
	for i := range weight {
		si := b.pole(i)
		c := complex(1, 0)
		for m := 0; m < b.n; m++ {
			if m == i {
				c *= -si
			} else {
				c *= -b.pole(m) / (si - b.pole(m))
			}
		}
		weight[i] = -c / (si * (1 - g*si))
		logPole[i] = cmplx.Log((1 + g*si) / (1 - g*si))
		bound += cmplx.Abs(weight[i])
		slowest = math.Max(slowest, real(logPole[i]))
	}
	left := func(k float64) float64 {
		var sum complex128
		for i := range weight {
			sum += weight[i] * cmplx.Exp(logPole[i]*complex(k, 0))
		}
		return math.Abs(real(sum))
	}
	// Beyond k the envelope is below what may remain; walk back from there in
	// steps of 1/64 turn of the ringing.
	k := math.Ceil(math.Log(remaining/bound) / slowest)
	step := math.Max(1, math.Floor(1/(64*b.cutoff())))
	for k > 0 && left(k) <= remaining {
		k -= step
	}
	if k < 0 {
		k = -1
	}
	// Too much remains after k+1 samples, not after k+step+1.
	return firstWithin(k, k+step, func(k float64) bool { return left(k) <= remaining }) + 1
}

// modes expands H in partial fractions as settling does: with kᵢ = Ωc·cᵢ/(1−Ωc sᵢ),
//
//	H = Σ kᵢ·(1+z⁻¹)/(1−pᵢz⁻¹) = −Σ kᵢ/pᵢ + Σ kᵢ·(1+1/pᵢ)/(1−pᵢz⁻¹).
func (b butterworth) modes() (direct float64, modes []Mode) {
	g := complex(b.g, 0)
	for i := range b.n {
		si := b.pole(i)
		c := complex(1, 0)
		for m := range b.n {
			if m == i {
				c *= -si
			} else {
				c *= -b.pole(m) / (si - b.pole(m))
			}
		}
		// ln p by what it is beyond 0: p may be 1 but for its last digits.
		log := log1p(2 * g * si / (1 - g*si))
		k, p := c*g/(1-g*si), (1+g*si)/(1-g*si)
		direct -= real(k / p)
		if 2*i+1 < b.n { // the others are their conjugates
			modes = append(modes, Mode{LogPole: log, Weight: 2 * k * (1 + 1/p)})
		} else if 2*i+1 == b.n {
			modes = append(modes, Mode{LogPole: complex(real(log), 0), Weight: complex(real(k*(1+1/p)), 0)})
		}
	}
	return direct, modes
}

// log1p is ln(1+z), exact for small z too.
func log1p(z complex128) complex128 {
	x, y := real(z), imag(z)
	return complex(0.5*math.Log1p(x*(2+x)+y*y), math.Atan2(y, 1+x))
}

func (b butterworth) newState() state {
	s := &butterworthState{g: b.g, odd: b.n%2 == 1}
	for k := b.n/2 - 1; k >= 0; k-- {
		r := b.damping(k)
		s.pairs = append(s.pairs, integratorPair{r: r, d: 1 / (1 + b.g*(b.g+r))})
	}
	return s
}

// butterworthState runs each pair of poles as two trapezoidal integrators in a
// loop. That is the bilinear transform again, but states keep the scale of the
// signal and the small number g multiplies differences only, so a cutoff of
// 1e-7 of the rate costs no more digits than a first-order stage.
type butterworthState struct {
	g     float64
	odd   bool
	z     complex128 // the single pole's integrator
	pairs []integratorPair
}

type integratorPair struct {
	r, d               float64
	z1r, z1i, z2r, z2i float64
}

func (s *butterworthState) process(dst, src []complex128, wait, every int) (n, left int) {
	g := s.g
	gs := g / (1 + g)
	for _, x := range src {
		xr, xi := real(x), imag(x)
		if s.odd {
			zr, zi := real(s.z), imag(s.z)
			vr, vi := gs*(xr-zr), gs*(xi-zi)
			xr, xi = zr+vr, zi+vi
			s.z = complex(xr+vr, xi+vi)
		}
		for i := range s.pairs {
			p := &s.pairs[i]
			v1r, v1i := p.d*(p.z1r+g*(xr-p.z2r)), p.d*(p.z1i+g*(xi-p.z2i))
			xr, xi = p.z2r+g*v1r, p.z2i+g*v1i
			p.z1r, p.z1i = 2*v1r-p.z1r, 2*v1i-p.z1i
			p.z2r, p.z2i = 2*xr-p.z2r, 2*xi-p.z2i
		}
		if wait--; wait == 0 {
			dst[n] = complex(xr, xi)
			n++
			wait = every
		}
	}
	return n, wait
}
