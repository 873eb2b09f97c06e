package fieldmodels

import (
	"fmt"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels/variant"
)

// LoopSetSize is how many loops a LoopSet holds.
const LoopSetSize = 8

// LoopSet is up to LoopSetSize loops of the rig frame whose flux through one pickup is
// computed side by side: several times as fast as one after the other where the
// processor has AVX2 or AVX-512. The assembly reads it by the fields' order.
type LoopSet struct {
	center, axis [3][LoopSetSize]float64
	a2, a2x4     [LoopSetSize]float64 // a², 4a²
	f            [LoopSetSize]float64 // μ0·turns·a²
}

// NewLoopSet makes a set. Places that are empty, or nil, hold a loop without turns, far
// away.
func NewLoopSet(loops []*PlacedLoop) *LoopSet {
	if len(loops) > LoopSetSize {
		panic(fmt.Sprintf("fieldmodels: NewLoopSet: %d loops, at most %d fit", len(loops), LoopSetSize))
	}
	s := new(LoopSet)
	for i := range LoopSetSize {
		l := &PlacedLoop{Loop: Loop{Radius: 1}, Center: r3.Vec{X: 1e3}, Axis: r3.Vec{Z: 1}}
		if i < len(loops) && loops[i] != nil {
			l = loops[i]
		}
		s.center[0][i], s.center[1][i], s.center[2][i] = l.Center.X, l.Center.Y, l.Center.Z
		s.axis[0][i], s.axis[1][i], s.axis[2][i] = l.Axis.X, l.Axis.Y, l.Axis.Z
		a2 := l.Loop.Radius * l.Loop.Radius
		s.a2[i], s.a2x4[i], s.f[i] = a2, 4*a2, Mu0*l.Loop.Turns*a2
	}
	return s
}

// FluxPickup is the coil whose flux is wanted, in the rig frame.
type FluxPickup struct {
	Moment r3.Vec // turns × area along its axis [m²]
	Axis   r3.Vec // unit
}

// FluxPoint is a point at which the field is taken, with the weights of what it adds
// to a mean over the pickup.
type FluxPoint struct {
	At    r3.Vec  // rig frame [m]
	Arm   r3.Vec  // from the origin of the sensor to it [m]
	Value float64 // of the flux
	Slope float64 // of the flux's derivative along the axis, in the flux [m]
	Deriv float64 // of the derivatives
}

// LoopFlux is the flux per ampere of each loop of a set through a pickup, and its
// derivatives as the pickup moves.
type LoopFlux struct {
	Value    [LoopSetSize]float64    // [H]
	Position [3][LoopSetSize]float64 // by the position [H/m]
	Rotation [3][LoopSetSize]float64 // by a rotation of the sensor about its origin [H/rad]
}

// Flux writes into dst the weighted sums over the points, of which there must be one
// at least. On a wire, or within some nanometres of it, the numbers are not finite;
// else the relative error is that of Gradient, but beside the wire it grows as
// 1e-16·Radius/distance. It does not allocate.
func (s *LoopSet) Flux(dst *LoopFlux, p *FluxPickup, points []FluxPoint) {
	if len(points) == 0 {
		panic("fieldmodels: Flux: no point")
	}
	if coupleLoops == vectorsNone {
		coupleLoopsGo(dst, s, p, points)
	} else {
		coupleLoopsVectors(coupleLoops, dst, s, p, points)
	}
}

var (
	coupleLoops       = vectorsNone
	coupleLoopsKernel = variant.New("fieldmodels.LoopSet.Flux", &coupleLoops)
)

// coupleLoopsGo is the definition of the kernels.
func coupleLoopsGo(dst *LoopFlux, s *LoopSet, p *FluxPickup, points []FluxPoint) {
	*dst = LoopFlux{}
	for i := range LoopSetSize {
		center := r3.Vec{X: s.center[0][i], Y: s.center[1][i], Z: s.center[2][i]}
		axis := r3.Vec{X: s.axis[0][i], Y: s.axis[1][i], Z: s.axis[2][i]}
		var field, gradient, turn r3.Vec
		for k := range points {
			at := &points[k]
			w, square, z := fromAxis(at.At, center, axis)
			jet := ringJet(s.a2[i], 0.25*s.f[i], square, s.a2[i]-square, z)
			n := p.Moment
			mw, mn := r3.Dot(n, w), r3.Dot(n, axis)
			byW, byN := jet.h*mw+jet.gz*mn, jet.gz*mw-(3*jet.g+jet.h*square)*mn
			g := r3.Add(r3.Scale(jet.g, n), r3.Add(r3.Scale(byW, w), r3.Scale(byN, axis)))
			dst.Value[i] += at.Value*(jet.g*mw+jet.bz*mn) + at.Slope*r3.Dot(p.Axis, g)
			field = r3.Add(field, r3.Scale(at.Deriv, jet.field(axis, w)))
			g = r3.Scale(at.Deriv, g)
			gradient = r3.Add(gradient, g)
			turn = r3.Add(turn, r3.Cross(at.Arm, g))
		}
		turn = r3.Add(turn, r3.Cross(p.Moment, field))
		dst.Position[0][i], dst.Position[1][i], dst.Position[2][i] = gradient.X, gradient.Y, gradient.Z
		dst.Rotation[0][i], dst.Rotation[1][i], dst.Rotation[2][i] = turn.X, turn.Y, turn.Z
	}
}
