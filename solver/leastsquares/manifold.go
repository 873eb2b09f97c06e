package leastsquares

import (
	"math"

	"gonum.org/v1/gonum/mat"
)

// Manifold tells how points are moved and compared. A point x is stored in
// Ambient numbers; a move δ along its tangent has Tangent numbers.
type Manifold interface {
	Ambient() int
	Tangent() int
	// Plus writes x ⊞ δ into dst, which may be x itself.
	Plus(dst, x, delta []float64)
	// Minus writes the shortest δ with x ⊞ δ = y into dst.
	Minus(dst, y, x []float64)
	// Derivative writes ∂(x ⊞ δ)/∂δ at δ = 0 into dst (Ambient × Tangent).
	Derivative(dst *mat.Dense, x []float64)
}

// Euclidean is the space of that many plain numbers.
type Euclidean int

func (e Euclidean) Ambient() int { return int(e) }
func (e Euclidean) Tangent() int { return int(e) }

func (e Euclidean) Plus(dst, x, delta []float64) {
	for i := range int(e) {
		dst[i] = x[i] + delta[i]
	}
}

func (e Euclidean) Minus(dst, y, x []float64) {
	for i := range int(e) {
		dst[i] = y[i] - x[i]
	}
}

func (e Euclidean) Derivative(dst *mat.Dense, _ []float64) {
	dst.Zero()
	for i := range int(e) {
		dst.Set(i, i, 1)
	}
}

// Rotation is the space of unit quaternions (w, x, y, z). A move is a rotation
// vector δ [rad] applied from the left: q ⊞ δ = exp(δ/2)·q, unique for
// |δ| < π. The result is always a unit quaternion.
type Rotation struct{}

func (Rotation) Ambient() int { return 4 }
func (Rotation) Tangent() int { return 3 }

func (Rotation) Plus(dst, x, delta []float64) {
	half := math.Sqrt(delta[0]*delta[0]+delta[1]*delta[1]+delta[2]*delta[2]) / 2
	s := sinc(half) / 2
	q := multiply([4]float64{math.Cos(half), s * delta[0], s * delta[1], s * delta[2]}, [4]float64(x))
	n := math.Sqrt(q[0]*q[0] + q[1]*q[1] + q[2]*q[2] + q[3]*q[3])
	for i := range q {
		dst[i] = q[i] / n
	}
}

func (Rotation) Minus(dst, y, x []float64) {
	q := multiply([4]float64(y), [4]float64{x[0], -x[1], -x[2], -x[3]})
	if q[0] < 0 { // q and −q turn alike: take the shorter way
		q = [4]float64{-q[0], -q[1], -q[2], -q[3]}
	}
	s := math.Sqrt(q[1]*q[1] + q[2]*q[2] + q[3]*q[3])
	k := 2 / q[0] // limit of 2·atan2(s, w)/s
	if s > 1e-10 {
		k = 2 * math.Atan2(s, q[0]) / s
	}
	for i := range 3 {
		dst[i] = k * q[i+1]
	}
}

func (Rotation) Derivative(dst *mat.Dense, x []float64) {
	for k := range 3 {
		var e [4]float64
		e[k+1] = 0.5
		for i, v := range multiply(e, [4]float64(x)) {
			dst.Set(i, k, v)
		}
	}
}

// multiply is the Hamilton product a·b.
func multiply(a, b [4]float64) [4]float64 {
	return [4]float64{
		a[0]*b[0] - a[1]*b[1] - a[2]*b[2] - a[3]*b[3],
		a[0]*b[1] + a[1]*b[0] + a[2]*b[3] - a[3]*b[2],
		a[0]*b[2] - a[1]*b[3] + a[2]*b[0] + a[3]*b[1],
		a[0]*b[3] + a[1]*b[2] - a[2]*b[1] + a[3]*b[0],
	}
}

// sinc is sin(x)/x.
func sinc(x float64) float64 {
	if math.Abs(x) < 1e-4 { // next term x⁴/120 < 1e-18
		return 1 - x*x/6
	}
	return math.Sin(x) / x
}

// Sphere is the space of unit vectors of that many numbers: 3 for directions.
// A move δ is an arc of |δ| rad: x ⊞ δ = H(x)·(sin|δ|·δ/|δ|, cos|δ|), where H(x)
// is the Householder reflection that carries the last axis to x. Unique for
// |δ| < π.
type Sphere int

func (s Sphere) Ambient() int { return int(s) }
func (s Sphere) Tangent() int { return int(s) - 1 }

func (s Sphere) Plus(dst, x, delta []float64) {
	n := int(s)
	v, beta := s.householder(x)
	sum := 0.0
	for _, d := range delta[:n-1] {
		sum += d * d
	}
	arc := math.Sqrt(sum)
	k := sinc(arc)
	for i, d := range delta[:n-1] {
		dst[i] = k * d
	}
	dst[n-1] = math.Cos(arc)
	reflect(dst[:n], v, beta)
	norm := 0.0
	for _, y := range dst[:n] {
		norm += y * y
	}
	norm = math.Sqrt(norm)
	for i := range dst[:n] {
		dst[i] /= norm
	}
}

func (s Sphere) Minus(dst, y, x []float64) {
	n := int(s)
	v, beta := s.householder(x)
	t := append([]float64(nil), y[:n]...)
	reflect(t, v, beta) // H is its own inverse
	sum := 0.0
	for _, u := range t[:n-1] {
		sum += u * u
	}
	sin, cos := math.Sqrt(sum), t[n-1]
	k := 1.0
	switch {
	case sin > 1e-10:
		k = math.Atan2(sin, cos) / sin
	case cos < 0: // opposite points: every direction is shortest, take one
		t[0], k = math.Pi, 1
	}
	for i := range dst[:n-1] {
		dst[i] = k * t[i]
	}
}

func (s Sphere) Derivative(dst *mat.Dense, x []float64) {
	n := int(s)
	v, beta := s.householder(x)
	column := make([]float64, n)
	for k := range n - 1 {
		clear(column)
		column[k] = 1
		reflect(column, v, beta)
		dst.SetCol(k, column)
	}
}

// householder returns v and β of H = I − β·v·vᵀ, which swaps the unit vector x
// and the last axis. Source: Golub and Van Loan, Matrix Computations, 4th ed.,
// algorithm 5.1.1.
func (s Sphere) householder(x []float64) (v []float64, beta float64) {
	n := int(s)
	v = append([]float64(nil), x[:n]...)
	sigma := 0.0
	for _, u := range v[:n-1] {
		sigma += u * u
	}
	if sigma < 1e-280 && v[n-1] > 0 { // x is the last axis; squares would underflow
		return v, 0
	}
	if v[n-1] <= 0 {
		v[n-1]--
	} else {
		v[n-1] = -sigma / (v[n-1] + 1) // x_n − 1 without cancellation
	}
	return v, 2 / (sigma + v[n-1]*v[n-1])
}

// reflect writes (I − β·v·vᵀ)·y into y.
func reflect(y, v []float64, beta float64) {
	dot := 0.0
	for i := range y {
		dot += v[i] * y[i]
	}
	for i := range y {
		y[i] -= beta * dot * v[i]
	}
}

// Product is the space of several manifolds side by side.
type Product []Manifold

func (p Product) Ambient() int {
	n := 0
	for _, m := range p {
		n += m.Ambient()
	}
	return n
}

func (p Product) Tangent() int {
	n := 0
	for _, m := range p {
		n += m.Tangent()
	}
	return n
}

func (p Product) Plus(dst, x, delta []float64) {
	for _, m := range p {
		a, t := m.Ambient(), m.Tangent()
		m.Plus(dst[:a], x[:a], delta[:t])
		dst, x, delta = dst[a:], x[a:], delta[t:]
	}
}

func (p Product) Minus(dst, y, x []float64) {
	for _, m := range p {
		a, t := m.Ambient(), m.Tangent()
		m.Minus(dst[:t], y[:a], x[:a])
		dst, y, x = dst[t:], y[a:], x[a:]
	}
}

func (p Product) Derivative(dst *mat.Dense, x []float64) {
	dst.Zero()
	i, j := 0, 0
	for _, m := range p {
		a, t := m.Ambient(), m.Tangent()
		m.Derivative(dst.Slice(i, i+a, j, j+t).(*mat.Dense), x[i:i+a])
		i, j = i+a, j+t
	}
}

// sizes writes the size of every tangent coordinate at x into dst: |x_i| for a
// plain number, 1 (a radian) for all else.
func sizes(m Manifold, dst, x []float64) {
	switch m := m.(type) {
	case Euclidean:
		for i := range int(m) {
			dst[i] = math.Abs(x[i])
		}
	case Product:
		for _, part := range m {
			a, t := part.Ambient(), part.Tangent()
			sizes(part, dst[:t], x[:a])
			dst, x = dst[t:], x[a:]
		}
	default:
		for i := range m.Tangent() {
			dst[i] = 1
		}
	}
}
