package mutual

import (
	"math"

	"gonum.org/v1/gonum/integrate/quad"
)

// discNode is one point of a cubature over a pickup's disc, in the coil's own
// frame: the disc in the X–Y plane about the origin. Weights sum to 1, so that
// Σ Weight·f is the mean of f.
type discNode struct {
	X, Y   float64 // [m]
	Weight float64 // dimensionless
}

// maxDiscDegree is the highest degree that discDegree asks for.
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
	var u, w []float64 // squares of the radii, weights
	if degree%4 == 1 {
		var center float64
		u, w, center = radauRule(rings)
		nodes = append(nodes, discNode{Weight: center})
	} else {
		u, w = gaussUnitRule(rings)
	}
	n := degree + 1
	for i := range u {
		r := radius * math.Sqrt(u[i])
		for k := range n {
			// Every second ring is turned by half a step, which spreads the points.
			sin, cos := math.Sincos(2 * math.Pi * (float64(k) + 0.5*float64(i%2)) / float64(n))
			nodes = append(nodes, discNode{X: r * cos, Y: r * sin, Weight: w[i] / float64(n)})
		}
	}
	return nodes
}

// gaussUnitRule returns the n-point Gauss–Legendre rule on 0..1.
func gaussUnitRule(n int) (u, w []float64) {
	u, w = make([]float64, n), make([]float64, n)
	quad.Legendre{}.FixedLocations(u, w, -1, 1)
	for i := range u {
		u[i], w[i] = 0.5*(1+u[i]), 0.5*w[i]
	}
	return u, w
}

// radauRule returns the Gauss–Radau rule on 0..1 with the fixed node 0 and n
// others, exact up to degree 2n. On −1..1 the others are the roots of
// (P_n + P_{n+1})/(1+x), the weight of the fixed node is 2/(n+1)², of the others
// (1−x)/((n+1)·P_n(x))² (Abramowitz and Stegun, 25.4.31).
func radauRule(n int) (u, w []float64, fixed float64) {
	u, w = make([]float64, n), make([]float64, n)
	m := float64(n + 1)
	for i := range u {
		// Interlaced starts, then Newton on the deflated polynomial.
		x := -math.Cos(math.Pi * (2*float64(i+1) + 0.5) / (2*float64(n) + 1.5))
		for range 50 {
			p, q, dp, dq := legendrePair(n, x)
			f := (p + q) / (1 + x)
			df := (dp+dq)/(1+x) - f/(1+x)
			for j := range i {
				// Roots found so far: keep off them.
				df -= f / (x - (2*u[j] - 1))
			}
			step := f / df
			x -= step
			if math.Abs(step) < 1e-16 {
				break
			}
		}
		p, _, _, _ := legendrePair(n, x)
		u[i] = 0.5 * (1 + x)
		w[i] = 0.5 * (1 - x) / (m * p * m * p)
	}
	return u, w, 1 / (m * m)
}

// legendrePair returns P_n, P_{n+1} and their derivatives at x, |x| < 1.
func legendrePair(n int, x float64) (p, q, dp, dq float64) {
	p, q = 1, x
	dp, dq = 0, 1
	for k := 1; k <= n; k++ {
		f := float64(k)
		next := ((2*f+1)*x*q - f*p) / (f + 1)
		dnext := dp + (2*f+1)*q
		p, q, dp, dq = q, next, dq, dnext
	}
	return p, q, dp, dq
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
