package mutual

import (
	"math"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels"
)

// Every component of a field is harmonic, so that its mean over a disc of
// radius R and normal n is a series in derivatives along n alone,
//
//	⟨f⟩ = Σ (−1)^k R^2k/(4^k k! (k+1)!) ∂_n^2k f
//
// (mean ρ^2k over the disc, and ∇²_disc = −∂²_n). A few points on the axis give
// it: from f and ∂_n f at the centre and at ±τ_i R, both of which a source's
// Gradient returns, all terms up to degree 5 (three points) or 9 (five) are met.
// For a dipole at distance r, the most compact source, the first term missed is
// 2.9 (R/r)⁶ or 5.7 (R/r)¹⁰ of the field: from 16 R or 6 R on, below 2e-7. Nearer
// than 6 R a cubature over the disc itself takes over.
type axialRule struct {
	nodes  []axialNode // the centre first
	beyond float64     // distance from the conductor, in radii, from which it holds
}

// axialNode is a point on the axis.
type axialNode struct {
	at    float64 // τ, radii from the centre
	value float64 // weight of f
	slope float64 // weight of ∂_n f, over the radius
	deriv float64 // weight of f when only its own derivatives are to be met
}

// maxAxial is how many nodes a rule has at most.
const maxAxial = 5

var (
	farRule = newAxialRule(16, 0.3)
	midRule = newAxialRule(6, 0.25, 0.5)
	// pointRule is that of a coil without radius.
	pointRule = axialRule{nodes: []axialNode{{value: 1, deriv: 1}}}
)

// newAxialRule solves for the weights at the centre and at ±taus: Σ (value +
// slope) meets the moments (−1/4)^k·C_k of the series above in τ^2k, C_k the
// Catalan numbers, up to k = 2·len(taus); deriv alone up to k = len(taus). It is
// for the derivative of a coupling, which steers the descent but does not move
// its end by more than the square of its error, below 1e-4.
func newAxialRule(beyond float64, taus ...float64) axialRule {
	n := len(taus)
	moment := make([]float64, 2*n+1)
	moment[0] = 1
	for k := 1; k <= 2*n; k++ {
		f := float64(k)
		moment[k] = moment[k-1] * -0.25 * 2 * (2*f - 1) / (f + 1)
	}
	full, plain := mat.NewDense(2*n+1, 2*n+1, nil), mat.NewDense(n+1, n+1, nil)
	full.Set(0, 0, 1)
	plain.Set(0, 0, 1)
	for i, t := range taus {
		for k := 0; k <= 2*n; k++ {
			p := math.Pow(t, float64(2*k))
			full.Set(k, 1+i, 2*p)
			full.Set(k, 1+n+i, 4*float64(k)*p/t)
			if k <= n {
				plain.Set(k, 1+i, 2*p)
			}
		}
	}
	var w, d mat.VecDense
	if err := w.SolveVec(full, mat.NewVecDense(2*n+1, moment)); err != nil {
		panic(err)
	}
	if err := d.SolveVec(plain, mat.NewVecDense(n+1, moment[:n+1])); err != nil {
		panic(err)
	}
	r := axialRule{beyond: beyond, nodes: []axialNode{{value: w.AtVec(0), deriv: d.AtVec(0)}}}
	for i, t := range taus {
		for _, sign := range []float64{1, -1} {
			r.nodes = append(r.nodes, axialNode{sign * t, w.AtVec(1 + i), sign * w.AtVec(1+n+i), d.AtVec(1 + i)})
		}
	}
	return r
}

// unitDisc holds the cubatures over a disc of radius 1 of discDegree's degrees 1,
// 3, 5, …
var unitDisc = func() (rules [][]discNode) {
	for degree := 1; degree <= maxDiscDegree; degree += 2 {
		rules = append(rules, discNodes(1, degree))
	}
	return rules
}()

// clearance returns a distance from p to the conductor of a source that is not
// too large, given its field and gradient there: the wire of a loop, the centre
// of a dipole, what the source itself says by a method Clearance; of any other
// 1.4 |B|/‖∂B‖, which is the distance beside a straight wire and about a third of
// it far from a coil.
func clearance(src fieldmodels.Source, p, b r3.Vec, j *fieldmodels.Jacobian) float64 {
	switch s := src.(type) {
	case *fieldmodels.PlacedLoop:
		d := r3.Sub(p, s.Center)
		z := r3.Dot(d, s.Axis)
		rho := math.Sqrt(math.Max(0, r3.Norm2(d)-z*z)) - s.Loop.Radius
		return math.Sqrt(rho*rho + z*z)
	case *fieldmodels.PlacedDipole:
		return r3.Norm(r3.Sub(p, s.Center))
	case interface{ Clearance(p r3.Vec) float64 }:
		return s.Clearance(p)
	}
	return 1.4 * r3.Norm(b) / j.Norm()
}

// exactly is the error of a mean, of the field, that no use of a coupling sees.
const exactly = 1e-11

// mean adds up a pickup with a radius, whose field and gradient at the centre are b
// and j: axial points where they are exact enough and fast is set, else a cubature
// over the disc, whose derivatives are those of its value.
func (p *Placed) mean(c *Coupling, src fieldmodels.Source, b r3.Vec, j *fieldmodels.Jacobian, fast bool) error {
	*c = Coupling{}
	center := r3.Add(p.origin, p.Arm)
	far := clearance(src, center, b, j) / p.radius
	if fast && far >= midRule.beyond {
		rule := &midRule
		if far >= farRule.beyond {
			rule = &farRule
		}
		p.add(c, p.Arm, b, j, rule.nodes[0].value, 0, rule.nodes[0].deriv)
		for _, n := range rule.nodes[1:] {
			off := r3.Scale(n.at*p.radius, p.Axis)
			b, j, err := src.Gradient(r3.Add(center, off))
			if err != nil {
				return err
			}
			p.add(c, r3.Add(p.Arm, off), b, &j, n.value, n.slope*p.radius, n.deriv)
		}
		return nil
	}
	// Where the degree changes with the distance, the coupling must not jump by
	// what a difference quotient would see.
	tolerance := 1e-7
	if !fast {
		tolerance = exactly
	}
	for _, n := range unitDisc[discDegree(1, far, tolerance)/2] {
		off := r3.Add(r3.Scale(n.X*p.radius, p.across[0]), r3.Scale(n.Y*p.radius, p.across[1]))
		b, j, err := src.Gradient(r3.Add(center, off))
		if err != nil {
			return err
		}
		p.add(c, r3.Add(p.Arm, off), b, &j, n.Weight, 0, n.Weight)
	}
	return nil
}
