package mutual

import (
	"math"

	"gonum.org/v1/gonum/mat"
)

// discNode is one point of a cubature over a pickup's disc, in the coil's own
// frame: the disc in the X–Y plane about the origin. Weights sum to 1, so that
// Σ Weight·f is the mean of f.
type discNode struct {
	X, Y   float64 // [m]
	Weight float64 // dimensionless
}

// maxDiscDegree is the highest degree that discDegree returns.
const maxDiscDegree = 21

// discNodes returns a cubature over a disc of the given radius [m] that is exact
// for polynomials in x and y up to degree (rounded up to an odd one; 1 for less).
//
// Rings of degree+1 equally spaced points: radii from the Gauss rule in r², or,
// for degrees 1, 5, 9, …, from the Gauss–Radau rule, which adds the centre. These
// are the formulas of Abramowitz and Stegun, 25.4.61, for degrees 3 (4 points),
// 5 (7 points) and 9 (21 points); Stroud, Approximate Calculation of Multiple
// Integrals, 1971, S2. Degree 1 is the centre alone, 7 has 16 points, 13 has 43.
func discNodes(radius float64, degree int) []discNode {
	degree = max(1, degree|1)
	rings := (degree + 1) / 4
	var nodes []discNode
	radau := degree%4 == 1
	u, w := gaussRule(rings, radau) // squares of the radii, weights
	if radau {
		center := 1.0
		for i := range w {
			w[i] /= u[i]
			center -= w[i]
		}
		nodes = append(nodes, discNode{Weight: center})
	}
	n := degree + 1
	for i := range u {
		r := radius * math.Sqrt(u[i])
		for k := range n {
			// Every second ring is rotated by half a step, which spreads the points.
			sin, cos := math.Sincos(2 * math.Pi * (float64(k) + 0.5*float64(i%2)) / float64(n))
			nodes = append(nodes, discNode{X: r * cos, Y: r * sin, Weight: w[i] / float64(n)})
		}
	}
	return nodes
}

// gaussRule returns the n-point Gauss rule for ∫f(u) du over 0..1, or for ∫u·f(u) du,
// whose nodes, with weights over u, are those of the Gauss–Radau rule beside u = 0.
// Nodes are the eigenvalues of the matrix of the recurrence of Jacobi's polynomials,
// weights from the first components of its eigenvectors.
//
// Source: Golub and Welsch, Calculation of Gauss quadrature rules, Math. Comp. 23
// (1969).
func gaussRule(n int, linear bool) (u, w []float64) {
	if n == 0 {
		return nil, nil
	}
	b := 0.0 // power of u
	if linear {
		b = 1
	}
	t := mat.NewSymDense(n, nil)
	for i := range n {
		k := float64(i)
		m := 2*k + b
		t.SetSym(i, i, 0.5+0.5*b/max(1, m*(m+2)))
		if i > 0 {
			t.SetSym(i-1, i, k*(k+b)/(m*math.Sqrt(m*m-1)))
		}
	}
	var eigen mat.EigenSym
	if !eigen.Factorize(t, true) {
		panic("mutual: eigenvalues of a Gauss rule")
	}
	var vectors mat.Dense
	eigen.VectorsTo(&vectors)
	w = make([]float64, n)
	for i := range w {
		w[i] = vectors.At(0, i) * vectors.At(0, i) / (1 + b)
	}
	return eigen.Values(nil), w
}

// discDegree returns the least degree of discNodes whose mean field is within
// tolerance of |B| of the true mean over a disc of the given radius [m] at a
// distance [m] from the nearest conductor.
//
// A field whose sources are at least D away is a power series in r/D whose first
// term not integrated has degree t+1: the error is C·(R/D)^(t+1). C is what a
// dipole at the distance D needs, the most compact source: the largest values
// over 6,000 random directions are 1.65, 3.27, 4.79, 6.02, 6.70, 6.98 for t = 1,
// 3, … 11, then 7.01 falling to 6.10. With a tolerance of 1e-7, maxDiscDegree is
// returned nearer than 2.2 radii, and the error may be larger.
func discDegree(radius, distance, tolerance float64) int {
	square := radius * radius / (distance * distance)
	for degree, power := 1, square; degree < maxDiscDegree; degree, power = degree+2, power*square {
		if min(7.5, 1+0.8*float64(degree))*power < tolerance {
			return degree
		}
	}
	return maxDiscDegree
}
