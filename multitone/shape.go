package multitone

import "math"

// shape is a window of given length made of cosines about its middle:
// w(u) = Σ a_j·cos(2πj·u/N), u = −(N−1)/2 … (N−1)/2. Its spectrum, and so the
// Gram matrix of any set of sinusoids under it, has a closed form.
type shape struct {
	length int
	cosine []float64 // a_0, a_1, …
}

func (s shape) rectangular() bool { return len(s.cosine) == 1 }

// at is the weight at u samples from the middle.
func (s shape) at(u float64) float64 {
	w := s.cosine[0]
	for j, a := range s.cosine[1:] {
		w += a * math.Cos(float64(j+1)*2*math.Pi*u/float64(s.length))
	}
	return w
}

// squared is the shape of w²: products of cosines are cosines of sums and
// differences.
func (s shape) squared() shape {
	a := make([]float64, 2*len(s.cosine)-1)
	for i, p := range s.cosine {
		for j, q := range s.cosine {
			a[i+j] += p * q / 2
			a[max(i-j, j-i)] += p * q / 2
		}
	}
	return shape{s.length, a}
}

// spectrum is Σ w(u)·cos(ω·u), real because w is even.
func (s shape) spectrum(omega float64) float64 {
	sum := s.cosine[0] * dirichlet(omega, s.length)
	for j, a := range s.cosine[1:] {
		step := 2 * math.Pi * float64(j+1) / float64(s.length)
		sum += a / 2 * (dirichlet(omega+step, s.length) + dirichlet(omega-step, s.length))
	}
	return sum
}

// dirichlet is Σ cos(ω·u) over the n positions u = −(n−1)/2 … (n−1)/2.
func dirichlet(omega float64, n int) float64 {
	s := math.Sin(omega / 2)
	if math.Abs(s) > 1e-6 {
		return math.Sin(float64(n)*omega/2) / s
	}
	// ω = 2πm + ε: sin(nω/2)/sin(ω/2) = ±sin(nε/2)/sin(ε/2), and sin(ε/2) is
	// ε/2 to 1e-13 here
	m := math.Round(omega / (2 * math.Pi))
	e := omega - 2*math.Pi*m
	v := float64(n)
	if x := v * e / 2; x != 0 {
		v *= math.Sin(x) / x
	}
	if int64(m)%2 != 0 && n%2 == 0 {
		v = -v
	}
	return v
}

// spacing is one bin [rad/sample].
func (s shape) spacing() float64 { return 2 * math.Pi / float64(s.length) }
