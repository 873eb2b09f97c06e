package multitone

import (
	"math"
	"math/cmplx"

	"tonepose/multitone/internal/kernel"
	lowpass "tonepose/multitone/window"
)

// memory is a low-pass as a few moments of its past: the weights of a sample by its
// distance from a block's middle, as power series within a block.
type memory interface {
	// size is how many moments there are.
	size() int
	// rate is how fast weights fade or turn at most [1/sample].
	rate() float64
	// least is the highest power that every block needs.
	least() int
	// fill writes the coefficients of a step over delta samples from middle to middle,
	// to a block of length samples whose moments go up to c.Degree. It returns a
	// factor of the old moments beside them.
	fill(c *kernel.Cascade, delta float64, length int) (decay float64)
	// direct is what the newest sample adds to an output beside the moments.
	direct() float64
}

// newMemory returns nil for a low-pass that has none.
func newMemory(l *lowpass.LowPass, sampleRate float64) memory {
	if spec := l.Spec(); spec.Kind == lowpass.Cascade {
		return stages{spec.Order, -math.Expm1(-1 / (l.TimeConstantS() * sampleRate))}
	}
	if direct, modes, ok := l.Modes(); ok {
		return modal{direct, modes}
	}
	return nil
}

// stages is a cascade of equal ones, y += b·(x − y). It weighs a sample that is m
// samples old by bⁿ·C(m+n−1, n−1)·aᵐ, a polynomial of degree n−1 times an exponential:
// moment j weighs it by aᵘ·(b·μ)ʲ, and they move from a block's middle to the next by
// the binomial theorem.
type stages struct {
	order int
	b     float64
}

func (s stages) size() int       { return s.order }
func (s stages) rate() float64   { return -math.Log1p(-s.b) }
func (s stages) least() int      { return s.order - 1 }
func (s stages) direct() float64 { return 0 }

func (s stages) fill(c *kernel.Cascade, delta float64, length int) float64 {
	n, b, degree, alpha := s.order, s.b, c.Degree, s.rate()
	for j := range n {
		f := 1.0 // C(j, i)·(b·delta)^{j−i}
		for i := j; i >= 0; i-- {
			c.Shift[j*n+i] = f
			f *= float64(i) / float64(j-i+1) * b * delta
		}
		// (−b)ʲ·α^{d−j}/(d−j)!·(L/2)ᵈ: μ = −u
		f = math.Pow(-b*float64(length)/2, float64(j))
		for d := j; d <= degree; d++ {
			c.Add[j*(degree+1)+d] = f
			f *= alpha / float64(d-j+1) * float64(length) / 2
		}
	}
	// After the last sample, m = μ + h: bⁿ·aᵐ·Π (m+i)/i in powers of b·μ, twice
	// for peak values.
	h := float64(length-1) / 2
	p := c.Out
	p[0] = 2 * math.Pow(b, float64(n)) * math.Exp(-alpha*h)
	for i := 1; i < n; i++ {
		for j := i; j >= 0; j-- {
			p[j] *= (h + float64(i)) / float64(i)
			if j > 0 {
				p[j] += p[j-1] / (b * float64(i))
			}
		}
	}
	return math.Exp(-alpha * delta)
}

// modal is a sum of exponentials: two moments of each, Re pᵘ and Im pᵘ, or one of a
// real one.
type modal struct {
	newest float64
	modes  []lowpass.Mode
}

func (m modal) size() (n int) {
	for _, v := range m.modes {
		n += width(v)
	}
	return n
}

// width is how many moments a mode has.
func width(v lowpass.Mode) int {
	if imag(v.LogPole) == 0 {
		return 1
	}
	return 2
}

func (m modal) rate() (most float64) {
	for _, v := range m.modes {
		most = math.Max(most, cmplx.Abs(v.LogPole))
	}
	return most
}

func (m modal) least() int      { return 0 }
func (m modal) direct() float64 { return m.newest }

func (m modal) fill(c *kernel.Cascade, delta float64, length int) float64 {
	n, wide := c.Order, c.Degree+1
	h := complex(float64(length-1)/2, 0)
	at := 0
	for _, v := range m.modes {
		// p^{μ+δ}, and p^μ = Σ (−ln p·L/2)ᵈ/d!·(u/half)ᵈ as μ = −u.
		p := cmplx.Exp(v.LogPole * complex(delta, 0))
		out := 2 * v.Weight * cmplx.Exp(v.LogPole*h)
		c.Shift[at*n+at], c.Out[at] = real(p), real(out)
		if width(v) == 2 {
			c.Shift[at*n+at+1], c.Shift[(at+1)*n+at], c.Shift[(at+1)*n+at+1] = -imag(p), imag(p), real(p)
			c.Out[at+1] = -imag(out)
		}
		f := complex(1, 0)
		for d := range wide {
			c.Add[at*wide+d] = real(f)
			if width(v) == 2 {
				c.Add[(at+1)*wide+d] = imag(f)
			}
			f *= -v.LogPole * complex(float64(length)/2/float64(d+1), 0)
		}
		at += width(v)
	}
	return 1
}
