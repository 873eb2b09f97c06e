package fieldmodels

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels/rigid"
)

// Place brings a source of its own frame into the rig frame. What the result
// needs at every field point is computed once, here: a Loop becomes a
// *PlacedLoop, a Dipole a *PlacedDipole, a Polyline one with moved points, a Sum
// one of placed parts; placing twice costs no more than once.
func Place(src Source, pose rigid.Pose) Source {
	switch s := src.(type) {
	case Dipole:
		return &PlacedDipole{Center: pose.Position, Moment: pose.Rotate(s.Moment)}
	case *PlacedDipole:
		return &PlacedDipole{Center: pose.Apply(s.Center), Moment: pose.Rotate(s.Moment)}
	case Loop:
		return &PlacedLoop{Loop: s, Center: pose.Position, Axis: r3.Unit(pose.Rotate(r3.Vec{Z: 1}))}
	case *PlacedLoop:
		return &PlacedLoop{Loop: s.Loop, Center: pose.Apply(s.Center), Axis: r3.Unit(pose.Rotate(s.Axis))}
	case *placedAxial:
		return &placedAxial{source: s.source, center: pose.Apply(s.center), axis: r3.Unit(pose.Rotate(s.axis))}
	case axial:
		return &placedAxial{source: s, center: pose.Position, axis: r3.Unit(pose.Rotate(r3.Vec{Z: 1}))}
	case Polyline:
		moved := Polyline{Points: make([]r3.Vec, len(s.Points)), Closed: s.Closed, Turns: s.Turns}
		for i, p := range s.Points {
			moved.Points[i] = pose.Apply(p)
		}
		return moved
	case Sum:
		moved := make(Sum, len(s))
		for i, part := range s {
			moved[i] = Place(part, pose)
		}
		return moved
	case *placed:
		pose = pose.Compose(s.pose)
		return &placed{source: s.source, pose: pose, r: rigid.Matrix(pose.Rotation)}
	default:
		return &placed{source: src, pose: pose, r: rigid.Matrix(pose.Rotation)}
	}
}

// PlaceAxis brings a source whose axis is +Z to center [m], its axis along axis,
// which need not be of unit length but must not be zero. The rotation about the
// axis is that of the smallest rotation; only sources that are not round
// (Rectangle, Polyline) depend on it: use Place for these.
func PlaceAxis(src Source, center, axis r3.Vec) Source {
	return Place(src, rigid.Pose{Position: center, Rotation: rigid.Between(r3.Vec{Z: 1}, axis)})
}

// PlacedDipole is a Dipole in the rig frame.
type PlacedDipole struct {
	Center r3.Vec // [m]
	Moment r3.Vec // [m²]
}

// Field returns B per ampere [T/A] at p [m]; see Dipole.
func (d *PlacedDipole) Field(p r3.Vec) (r3.Vec, error) {
	return Dipole{d.Moment}.Field(r3.Sub(p, d.Center))
}

// Gradient returns B per ampere [T/A] and ∂B/∂p [T/(A·m)] at p [m].
func (d *PlacedDipole) Gradient(p r3.Vec) (r3.Vec, Jacobian, error) {
	q := r3.Sub(p, d.Center)
	r2 := r3.Dot(q, q)
	if r2 == 0 {
		return r3.Vec{}, Jacobian{}, ErrOnConductor
	}
	b, j := dipoleGradient(d.Moment, q, r2)
	return b, j, nil
}

// Along returns B per ampere [T/A] at p [m] and the gradient ∇(n·B) of its part
// along n, in the unit of n times [T/(A·m)]: what a point pickup needs, for half
// the time of Gradient.
func (d *PlacedDipole) Along(p, n r3.Vec) (b, g r3.Vec, err error) {
	r, m := r3.Sub(p, d.Center), d.Moment
	r2 := r3.Dot(r, r)
	if r2 == 0 {
		return r3.Vec{}, r3.Vec{}, ErrOnConductor
	}
	i2 := 1 / r2
	k := Mu0 / (4 * math.Pi) * i2 * math.Sqrt(i2)
	mr, nr := r3.Dot(m, r), r3.Dot(n, r)
	c, k3 := 3*mr*i2, 3*k*i2
	q := r3.Dot(m, n) - 5*mr*nr*i2
	b = r3.Vec{X: k * (c*r.X - m.X), Y: k * (c*r.Y - m.Y), Z: k * (c*r.Z - m.Z)}
	g = r3.Vec{X: k3 * (nr*m.X + mr*n.X + q*r.X), Y: k3 * (nr*m.Y + mr*n.Y + q*r.Y), Z: k3 * (nr*m.Z + mr*n.Z + q*r.Z)}
	return b, g, nil
}

// PlacedLoop is a Loop in the rig frame. Axis must have unit length. Near the wire
// the error grows as 1e-16·|p − Center|/distance, since the position is rounded.
type PlacedLoop struct {
	Loop   Loop
	Center r3.Vec // [m]
	Axis   r3.Vec // unit
}

// Field returns B per ampere [T/A] at p [m]; see Loop.
func (l *PlacedLoop) Field(p r3.Vec) (r3.Vec, error) {
	w, s, z := fromAxis(p, l.Center, l.Axis)
	bz, g, err := l.Loop.axialField(s, z)
	return axialVector(bz, g, l.Axis, w), err
}

// Gradient returns B per ampere [T/A] and ∂B/∂p [T/(A·m)] at p [m].
func (l *PlacedLoop) Gradient(p r3.Vec) (r3.Vec, Jacobian, error) {
	w, s, z := fromAxis(p, l.Center, l.Axis)
	jet, err := l.Loop.axialGradient(s, z)
	return jet.field(l.Axis, w), jet.along(l.Axis, w, s), err
}

// fromAxis splits p − center into z along the unit vector n and w square to it,
// s = |w|².
func fromAxis(p, center, n r3.Vec) (w r3.Vec, s, z float64) {
	q := r3.Vec{X: p.X - center.X, Y: p.Y - center.Y, Z: p.Z - center.Z}
	z = q.X*n.X + q.Y*n.Y + q.Z*n.Z
	w = r3.Vec{X: q.X - z*n.X, Y: q.Y - z*n.Y, Z: q.Z - z*n.Z}
	return w, w.X*w.X + w.Y*w.Y + w.Z*w.Z, z
}

// placedAxial is any other round source in the rig frame.
type placedAxial struct {
	source       axial
	center, axis r3.Vec
}

func (a *placedAxial) Field(p r3.Vec) (r3.Vec, error) {
	w, s, z := fromAxis(p, a.center, a.axis)
	bz, g, err := a.source.axialField(s, z)
	return axialVector(bz, g, a.axis, w), err
}

func (a *placedAxial) Gradient(p r3.Vec) (r3.Vec, Jacobian, error) {
	w, s, z := fromAxis(p, a.center, a.axis)
	jet, err := a.source.axialGradient(s, z)
	return jet.field(a.axis, w), jet.along(a.axis, w, s), err
}

// placed is a source without symmetry in the rig frame; r is the matrix of
// pose.Rotation.
type placed struct {
	source Source
	pose   rigid.Pose
	r      [3][3]float64
}

func (l *placed) local(p r3.Vec) r3.Vec {
	return rigid.TransMulVec(&l.r, r3.Sub(p, l.pose.Position))
}

func (l *placed) Field(p r3.Vec) (r3.Vec, error) {
	b, err := l.source.Field(l.local(p))
	return rigid.MulVec(&l.r, b), err
}

func (l *placed) Gradient(p r3.Vec) (r3.Vec, Jacobian, error) {
	b, j, err := l.source.Gradient(l.local(p))
	// R·J·Rᵀ, row by row.
	var out Jacobian
	r := &l.r
	for i := range 3 {
		x, y, z := r[i][0], r[i][1], r[i][2]
		u := x*j[0][0] + y*j[1][0] + z*j[2][0]
		v := x*j[0][1] + y*j[1][1] + z*j[2][1]
		w := x*j[0][2] + y*j[1][2] + z*j[2][2]
		out[i] = [3]float64{
			u*r[0][0] + v*r[0][1] + w*r[0][2],
			u*r[1][0] + v*r[1][1] + w*r[1][2],
			u*r[2][0] + v*r[2][1] + w*r[2][2],
		}
	}
	return rigid.MulVec(&l.r, b), out, err
}

// Sum is several coils in series: one current through all of them.
type Sum []Source

// Field returns B per ampere [T/A] at p [m], with the first part's error if any.
func (s Sum) Field(p r3.Vec) (r3.Vec, error) {
	var b r3.Vec
	for _, part := range s {
		db, err := part.Field(p)
		if err != nil {
			return r3.Vec{}, err
		}
		b = r3.Add(b, db)
	}
	return b, nil
}

// Gradient returns B per ampere [T/A] and ∂B/∂p [T/(A·m)] at p [m].
func (s Sum) Gradient(p r3.Vec) (r3.Vec, Jacobian, error) {
	var b r3.Vec
	var j Jacobian
	for _, part := range s {
		db, dj, err := part.Gradient(p)
		if err != nil {
			return r3.Vec{}, Jacobian{}, err
		}
		b = r3.Add(b, db)
		j.add(1, &dj)
	}
	return b, j, nil
}

// add adds k·o to j.
func (j *Jacobian) add(k float64, o *Jacobian) {
	for i := range j {
		for c := range j[i] {
			j[i][c] += k * o[i][c]
		}
	}
}

func (j *Jacobian) scale(k float64) {
	for i := range j {
		for c := range j[i] {
			j[i][c] *= k
		}
	}
}
