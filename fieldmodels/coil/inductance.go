package coil

import (
	"math"

	"gonum.org/v1/gonum/integrate/quad"
	"gonum.org/v1/gonum/mathext"

	"tonepose/fieldmodels"
)

// Nagaoka returns the coefficient K of a single-layer coil by its diameter over
// its length: L = μ0 N² π r² K / length.
//
// Source: Nagaoka (1909), in Lorenz's form
// K = 4/(3πk′)·[(k′²/k²)(K(k) − E(k)) + E(k) − k], k² = d²/(d²+l²), with
// K − E = k²·R_D(0, k′², 1)/3 and E = k′²·(R_D(0, k′², 1) + R_D(0, 1, k′²))/3,
// sums of positive terms (NIST Digital Library of Mathematical Functions, 19.25).
func Nagaoka(diameterOverLength float64) float64 {
	if diameterOverLength == 0 {
		return 1
	}
	h := math.Hypot(diameterOverLength, 1)
	k, k1 := diameterOverLength/h, 1/h
	rd := mathext.EllipticRD(0, k1*k1, 1) / 3
	e := k1 * k1 * (rd + mathext.EllipticRD(0, 1, k1*k1)/3)
	return 4 / (3 * math.Pi * k1) * (k1*k1*rd + e - k)
}

// SheetInductance returns the inductance [H] of turns spread evenly over a thin
// cylinder of radius and length [m].
func SheetInductance(radius, length, turns float64) float64 {
	return fieldmodels.Mu0 * math.Pi * radius * radius * turns * turns / length * Nagaoka(2*radius/length)
}

// Wheeler returns the inductance [H] of a single-layer coil within about 1 %
// where length > 0.8 radius; radius and length in metres.
//
// Source: Wheeler, Simple inductance formulas for radio coils, Proc. IRE 16
// (1928): r²N²/(9r + 10l) µH, inches.
func Wheeler(radius, length, turns float64) float64 {
	r, l := radius/0.0254, length/0.0254
	return 1e-6 * r * r * turns * turns / (9*r + 10*l)
}

// circles returns the mutual inductance [H] of two coaxial circles of radii a and
// b [m], their planes u [m] apart.
//
// Source: Maxwell, Treatise, art. 701: M = μ0√(ab)·[(2/k − k)K − (2/k)E],
// k² = 4ab/((a+b)²+u²).
func circles(a, b, u float64) float64 {
	far := (a+b)*(a+b) + u*u
	m := 4 * a * b / far
	m1 := ((a-b)*(a-b) + u*u) / far
	k := math.Sqrt(m)
	return fieldmodels.Mu0 * math.Sqrt(a*b) * (2/k*m*mathext.EllipticRD(0, m1, 1)/3 - k*mathext.EllipticRF(0, m1, 1))
}

// Rules of Gauss and Legendre for ThickInductance.
const (
	radialPoints = 12
	cornerPoints = 20
)

// ThickInductance returns the inductance [H] of turns that fill a rectangular
// cross-section evenly: from inner to outer radius, over length [m].
//
// It is the mean of the mutual inductance over all pairs of circles in the
// cross-section. Pairs are counted by the radial and axial distances d and u
// between them, with weights depth−d and length−u; the logarithm at d = u = 0 is
// tamed by splitting the rectangle of (d, u) into two triangles at that corner
// (Duffy, SIAM J. Numer. Anal. 19, 1982) and stretching the slope across each by
// a hyperbolic sine. Relative error below 1e-7 for cross-sections of up to 200:1.
func ThickInductance(inner, outer, length, turns float64) float64 {
	depth := outer - inner
	if depth <= 0 {
		return SheetInductance(outer, length, turns)
	}
	var x, w [cornerPoints]float64
	quad.Legendre{}.FixedLocations(x[:], w[:], 0, 1)
	var y, v [radialPoints]float64
	quad.Legendre{}.FixedLocations(y[:], v[:], 0, 1)
	// pairs is the weighted mutual inductance of pairs at distances d and u.
	pairs := func(d, u float64) float64 {
		sum := 0.0
		for i, t := range y {
			a := inner + (depth-d)*t
			sum += v[i] * circles(a, a+d, u)
		}
		return 4 * (depth - d) * (length - u) * sum
	}
	total := 0.0
	for _, swap := range []bool{false, true} {
		long, across := depth, length
		if swap {
			long, across = length, depth
		}
		top := math.Asinh(across / long)
		for i, p := range x { // along: cubed, so that ln p·p is smooth
			along := long * p * p * p
			for j, q := range x {
				slope, stretch := math.Sinh(top*q), top*math.Cosh(top*q)
				d, u := along, along*slope
				if swap {
					d, u = u, d
				}
				total += w[i] * w[j] * 3 * p * p * long * along * stretch * pairs(d, u)
			}
		}
	}
	area := depth * length
	return turns * turns * total / (area * area)
}

// RectangleInductance returns the inductance [H] of turns that run round a
// rectangle of mean sides [m] in a bundle of rectangular cross-section, small
// against the sides; around is the sum of the cross-section's sides [m].
//
// Each side has its own inductance, that of two filaments at the geometric mean
// distance 0.2235·around of the cross-section, and takes off the mutual one of
// the side across. Source: Grover, Inductance Calculations (1946), chapters 3, 7
// and 8.
func RectangleInductance(width, height, around, turns float64) float64 {
	distance := 0.2235 * around
	return 2 * turns * turns * (filaments(width, distance) - filaments(width, height) + filaments(height, distance) - filaments(height, width))
}

// filaments is the mutual inductance [H] of two equal parallel filaments that face
// each other (Grover, chapter 5).
func filaments(length, distance float64) float64 {
	return fieldmodels.Mu0 / (2 * math.Pi) * (length*math.Asinh(length/distance) - math.Hypot(length, distance) + distance)
}
