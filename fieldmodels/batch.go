package fieldmodels

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels/variant"
)

// Fields computes B per ampere [T/A] at many points (x[i], y[i], z[i]) [m] of
// the loop's own frame: several times as fast as Field where the processor has
// AVX2 or AVX-512. All slices must have the same length, else Fields panics; the
// results may lie in the slices of the points. Where Field would return
// ErrOnConductor, B is NaN. The relative error is that of Field, but near the
// wire it grows as 1e-16·Radius/distance, as s = x²+y² is rounded.
func (l Loop) Fields(bx, by, bz, x, y, z []float64) {
	k := newRing(l, r3.Vec{}, r3.Vec{Z: 1})
	k.fields(bx, by, bz, x, y, z)
}

// Fields is Loop.Fields for points of the rig frame.
func (l *PlacedLoop) Fields(bx, by, bz, x, y, z []float64) {
	k := newRing(l.Loop, l.Center, l.Axis)
	k.fields(bx, by, bz, x, y, z)
}

// ring is what the batch kernels know of a placed loop. The assembly reads it by
// the fields' order.
type ring struct {
	cx, cy, cz float64 // centre
	nx, ny, nz float64 // axis, unit
	a2, a2x4   float64 // a², 4a²
	f          float64 // μ0·turns·a²
	near       float64 // b⁴ on the conductor
}

func newRing(l Loop, c, n r3.Vec) ring {
	a2 := l.Radius * l.Radius
	return ring{
		cx: c.X, cy: c.Y, cz: c.Z,
		nx: n.X, ny: n.Y, nz: n.Z,
		a2: a2, a2x4: 4 * a2,
		f:    Mu0 * l.Turns * a2,
		near: 4 * nearWire * nearWire * a2 * a2,
	}
}

func (k ring) fields(bx, by, bz, x, y, z []float64) {
	n := len(x)
	if len(y) != n || len(z) != n || len(bx) != n || len(by) != n || len(bz) != n {
		panic(fmt.Sprintf("fieldmodels: Fields: slices of lengths %d, %d, %d, %d, %d, %d must be equal",
			len(bx), len(by), len(bz), len(x), len(y), len(z)))
	}
	ringFields(k, bx, by, bz, x, y, z)
}

var (
	ringFields       = ringFieldsGo
	ringFieldsKernel = variant.New("fieldmodels.Loop.Fields", &ringFields)
)

// ringFieldsGo is the reference of the kernels: for each point
//
//	q = p − c,  ζ = n·q,  w = q − ζ·n,  s = |w|²,  B = g·w + b·n
//
// with b = B_z and g = B_ρ/ρ as in Loop.
func ringFieldsGo(k ring, bx, by, bz, x, y, z []float64) {
	for i := range x {
		qx, qy, qz := x[i]-k.cx, y[i]-k.cy, z[i]-k.cz
		zeta := k.nx*qx + k.ny*qy + k.nz*qz
		wx, wy, wz := qx-zeta*k.nx, qy-zeta*k.ny, qz-zeta*k.nz
		s := wx*wx + wy*wy + wz*wz
		z2 := zeta * zeta
		d := k.a2 - s
		e := d - z2
		b4 := e*e + k.a2x4*z2
		b2 := math.Sqrt(b4)
		sum := k.a2 + s + z2
		h := 0.5 * (sum + b2)
		ih := 1 / h
		c := k.a2 * s * ih
		im, tau := ringMean(h, b2, c)
		f := 0.25 * k.f * im / b4
		if b4 <= k.near {
			f = math.NaN()
		}
		sh := (1 + c*tau) * ih
		t := sh * s
		b := f * (d*(2-t) + z2*(2+t))
		g := f * zeta * (4 - sh*sum)
		bx[i] = g*wx + b*k.nx
		by[i] = g*wy + b*k.ny
		bz[i] = g*wz + b*k.nz
	}
}
