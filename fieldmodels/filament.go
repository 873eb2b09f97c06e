package fieldmodels

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"
)

// nearSegment is the distance to a straight wire, in wire lengths, below which
// a field point counts as lying on it.
const nearSegment = 1e-9

// segment is one straight filament as a field point sees it. With t its
// direction, R1 and R2 the distances to its ends, D that to its line and
// V = t × (p − start),
//
//	B = μ0/4π · F·V,  F = L(R1+R2)/(R1·R2·q),  q = R1·R2 + r1·r2,
//
// which has a finite limit on the line beyond the ends. Between the ends q is
// taken as L²D²/(R1·R2 − r1·r2) where that doesn't cancel.
//
// Source: Hanson, Hirshman, Compact expressions for the Biot–Savart fields of a
// filamentary segment, Phys. Plasmas 9 (2002).
type segment struct {
	t, v   r3.Vec
	r1, r2 r3.Vec  // from the ends to the field point [m]
	n1, n2 float64 // their lengths [m]
	d2     float64 // squared distance to the line [m²]
	q, f   float64
	inside bool // the field point's foot lies between the ends
}

// newSegment reports ok = false on the conductor. A segment without length
// carries no field: f = 0.
func newSegment(start, end, p r3.Vec) (g segment, ok bool) {
	l := r3.Sub(end, start)
	length := math.Sqrt(r3.Dot(l, l))
	if length == 0 {
		return g, true
	}
	g.t = r3.Scale(1/length, l)
	g.r1, g.r2 = r3.Sub(p, start), r3.Sub(p, end)
	n11, n22 := r3.Dot(g.r1, g.r1), r3.Dot(g.r2, g.r2)
	g.n1, g.n2 = math.Sqrt(n11), math.Sqrt(n22)
	g.v = r3.Cross(g.t, g.r1)
	g.d2 = r3.Dot(g.v, g.v)
	s1, s2 := r3.Dot(g.t, g.r1), r3.Dot(g.t, g.r2)
	g.inside = s1 > 0 && s2 < 0
	near := nearSegment * nearSegment * length * length
	if n11 <= near || n22 <= near || g.inside && g.d2 <= near {
		return g, false
	}
	dot, product := r3.Dot(g.r1, g.r2), g.n1*g.n2
	if dot < 0 {
		g.q = length * length * g.d2 / (product - dot)
	} else {
		g.q = product + dot
	}
	g.f = length * (g.n1 + g.n2) / (product * g.q)
	return g, true
}

// slope returns ∇F.
func (g *segment) slope() r3.Vec {
	u1, u2 := r3.Scale(1/g.n1, g.r1), r3.Scale(1/g.n2, g.r2)
	e := r3.Add(u1, u2)
	if g.inside {
		// The parts of the unit vectors along the wire nearly cancel; with
		// s1 > 0 > s2 their sum is D²·(1/(R2(R2−s2)) − 1/(R1(R1+s1))).
		s1, s2 := r3.Dot(g.t, g.r1), r3.Dot(g.t, g.r2)
		along := g.d2 * (1/(g.n2*(g.n2-s2)) - 1/(g.n1*(g.n1+s1)))
		w := r3.Cross(g.v, g.t) // from the line to the field point
		e = r3.Add(r3.Scale(1/g.n1+1/g.n2, w), r3.Scale(along, g.t))
	}
	sum := g.n1 + g.n2
	s := r3.Scale(1/sum-sum/g.q, e)
	s = r3.Sub(s, r3.Scale(1/g.n1, u1))
	s = r3.Sub(s, r3.Scale(1/g.n2, u2))
	return r3.Scale(g.f, s)
}

// addSegmentField adds the field [T/A] of the filament from start to end to b.
func addSegmentField(b *r3.Vec, start, end, p r3.Vec) error {
	g, ok := newSegment(start, end, p)
	if !ok {
		return ErrOnConductor
	}
	k := Mu0 / (4 * math.Pi) * g.f
	b.X += k * g.v.X
	b.Y += k * g.v.Y
	b.Z += k * g.v.Z
	return nil
}

// addSegmentGradient adds field and derivative.
func addSegmentGradient(b *r3.Vec, j *Jacobian, start, end, p r3.Vec) error {
	g, ok := newSegment(start, end, p)
	if !ok {
		return ErrOnConductor
	}
	if g.f == 0 {
		return nil
	}
	const k = Mu0 / (4 * math.Pi)
	v, s := r3.Scale(k, g.v), g.slope()
	b.X += g.f * v.X
	b.Y += g.f * v.Y
	b.Z += g.f * v.Z
	// ∂(F·V)_i/∂x_j = V_i ∂F/∂x_j + F·[t]×.
	t := r3.Scale(k*g.f, g.t)
	j[0][0] += v.X * s.X
	j[0][1] += v.X*s.Y - t.Z
	j[0][2] += v.X*s.Z + t.Y
	j[1][0] += v.Y*s.X + t.Z
	j[1][1] += v.Y * s.Y
	j[1][2] += v.Y*s.Z - t.X
	j[2][0] += v.Z*s.X - t.Y
	j[2][1] += v.Z*s.Y + t.X
	j[2][2] += v.Z * s.Z
	return nil
}

// farPolygon is the distance, in half extents, beyond which a closed polygon is
// summed as a layer of dipoles: the fields of its sides nearly cancel there,
// and would cost log10(distance/extent) digits.
const farPolygon = 40

// layerPoints returns the Gauss points per direction for a dipole layer seen
// from a distance of ratio half extents.
func layerPoints(ratio float64) int {
	a := ratio - 1
	return gaussPointsEllipse(a)
}
