package integrity

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels"
	"tonepose/fieldmodels/mutual"
	"tonepose/fieldmodels/rigid"
	"tonepose/solver"
	"tonepose/testdata/published"
)

// metal adds to the couplings what a piece of metal does.
type metal interface {
	// coupling is the change of M [H] between an emitter and a coil at omega [rad/s].
	coupling(e fieldmodels.Emitter, c mutual.Coil, pose rigid.Pose, omega float64) complex128
	distance(p r3.Vec) float64 // from its surface [m], at least
}

// sphere is a solid conducting sphere, small beside the distances.
type sphere struct {
	center       r3.Vec
	radius       float64 // [m]
	conductivity float64 // [S/m]
	permeability float64 // relative
}

// sphereMoment is the induced moment over 2πa³H₀ (boundary-value solution: with
// x = ka, k = (1−j)/δ, and p = [x·j₁(x)]'/j₁(x), it is (2µ−p)/(µ+p)).
func sphereMoment(permeability, radiusOverSkin float64) complex128 {
	x := complex(radiusOverSkin, -radiusOverSkin)
	var p complex128
	if radiusOverSkin > 40 {
		p = x * complex(0, 1) // cot x → +j for Im x → −∞
		p = x*x/(1-p) - 1
	} else {
		sin, cos := cmplx.Sin(x), cmplx.Cos(x)
		p = (cos/x - sin/(x*x) + sin) / (sin/(x*x) - cos/x)
	}
	mu := complex(permeability, 0)
	return (2*mu - p) / (mu + p)
}

func (s sphere) coupling(e fieldmodels.Emitter, c mutual.Coil, pose rigid.Pose, omega float64) complex128 {
	b, err := e.Source.Field(s.center)
	if err != nil {
		panic(err)
	}
	skin := math.Sqrt(2 / (omega * 4e-7 * math.Pi * s.permeability * s.conductivity))
	m := sphereMoment(s.permeability, s.radius/skin) * complex(2*math.Pi*s.radius*s.radius*s.radius/fieldmodels.Mu0, 0)
	back, err := (&fieldmodels.PlacedDipole{Center: s.center, Moment: b}).Field(pose.Apply(c.Center))
	if err != nil {
		panic(err)
	}
	return m * complex(c.AreaTurns*r3.Dot(pose.Rotate(c.Axis), back), 0)
}

func (s sphere) distance(p r3.Vec) float64 { return r3.Norm(r3.Sub(p, s.center)) - s.radius }

// ring is a closed turn of round wire: M₁M₂·jω/(R+jωL), with a minus for Lenz.
type ring struct {
	center, axis r3.Vec
	radius, wire float64 // [m]
	conductivity float64
}

func (r ring) coupling(e fieldmodels.Emitter, c mutual.Coil, pose rigid.Pose, omega float64) complex128 {
	ring := mutual.NewPickup(mutual.Coil{Center: r.center, Axis: r3.Unit(r.axis), AreaTurns: math.Pi * r.radius * r.radius, Radius: r.radius})
	frame := mutual.NewFrame(rigid.Identity())
	var placed mutual.Placed
	ring.Place(&placed, &frame)
	var m1 mutual.Coupling
	if err := placed.Couple(&m1, e.Source); err != nil {
		panic(err)
	}
	b, err := fieldmodels.PlaceAxis(fieldmodels.Loop{Radius: r.radius, Turns: 1}, r.center, r.axis).Field(pose.Apply(c.Center))
	if err != nil {
		panic(err)
	}
	m2 := c.AreaTurns * r3.Dot(pose.Rotate(c.Axis), b)
	resistance := 2 * r.radius / (r.conductivity * r.wire * r.wire)
	inductance := fieldmodels.Mu0 * r.radius * (math.Log(8*r.radius/r.wire) - 1.75)
	return complex(m1.M*m2, 0) * complex(0, -omega) / complex(resistance, omega*inductance)
}

func (r ring) distance(p r3.Vec) float64 { return r3.Norm(r3.Sub(p, r.center)) - r.radius }

// plate is a square of thin sheet as a mesh of loops: shared edges resist, all
// loops couple (as dipoles from the second neighbour on).
type plate struct {
	pose                          rigid.Pose // normal +Z
	side, thickness, conductivity float64
	loops                         []r3.Vec
	cell                          float64
	inverse                       map[float64]*mat.Dense
}

const plateCells = 7

func newPlate(pose rigid.Pose, side, thickness, conductivity float64) *plate {
	p := &plate{pose: pose, side: side, thickness: thickness, conductivity: conductivity, cell: side / plateCells, inverse: map[float64]*mat.Dense{}}
	for i := range plateCells {
		for j := range plateCells {
			p.loops = append(p.loops, r3.Vec{X: (float64(i) - (plateCells-1)/2.0) * p.cell, Y: (float64(j) - (plateCells-1)/2.0) * p.cell})
		}
	}
	return p
}

func (p *plate) solve(omega float64) *mat.Dense {
	if m := p.inverse[omega]; m != nil {
		return m
	}
	n := len(p.loops)
	z := mat.NewDense(2*n, 2*n, nil) // of [Re; Im]
	edge := 1 / (p.conductivity * p.thickness)
	w := p.cell
	self := 2 * fieldmodels.Mu0 * w / math.Pi * (math.Log(4) - 0.774) // wire radius a quarter of the cell
	for i := range n {
		for j := range n {
			l, r := self, 4*edge
			if i != j {
				d := r3.Norm(r3.Sub(p.loops[i], p.loops[j]))
				if d < 1.1*w {
					r = -edge
				} else {
					r = 0
				}
				l = -fieldmodels.Mu0 / (4 * math.Pi) * w * w * w * w / (d * d * d)
			}
			z.Set(i, j, r)
			z.Set(n+i, n+j, r)
			z.Set(i, n+j, -omega*l)
			z.Set(n+i, j, omega*l)
		}
	}
	var inv mat.Dense
	if err := inv.Inverse(z); err != nil {
		panic(err)
	}
	p.inverse[omega] = &inv
	return &inv
}

func (p *plate) coupling(e fieldmodels.Emitter, c mutual.Coil, pose rigid.Pose, omega float64) complex128 {
	n := len(p.loops)
	inv := p.solve(omega)
	normal := p.pose.Rotate(r3.Vec{Z: 1})
	emf := mat.NewVecDense(2*n, nil)
	back := make([]float64, n)
	axis := pose.Rotate(c.Axis)
	at := pose.Apply(c.Center)
	for i, l := range p.loops {
		b, err := e.Source.Field(p.pose.Apply(l))
		if err != nil {
			panic(err)
		}
		emf.SetVec(n+i, -omega*p.cell*p.cell*r3.Dot(b, normal)) // −jωΦ
		f, err := (&fieldmodels.PlacedDipole{Center: p.pose.Apply(l), Moment: r3.Scale(p.cell*p.cell, normal)}).Field(at)
		if err != nil {
			panic(err)
		}
		back[i] = c.AreaTurns * r3.Dot(axis, f)
	}
	var i mat.VecDense
	i.MulVec(inv, emf)
	var m complex128
	for k := range n {
		m += complex(back[k]*i.AtVec(k), back[k]*i.AtVec(n+k))
	}
	return m
}

func (p *plate) distance(q r3.Vec) float64 {
	l := p.pose.Inverse().Apply(q)
	dx, dy := max(0, math.Abs(l.X)-p.side/2), max(0, math.Abs(l.Y)-p.side/2)
	return math.Sqrt(dx*dx + dy*dy + l.Z*l.Z)
}

// floor is a conducting half-space below z = height, thick and good enough that
// its skin depth is small beside all distances: the image of a coil, sunk by
// the complex depth δ(1−j) (Bannister's complex image, compared with a public copy, and checked
// below), to first order in it.
type floor struct{ height, conductivity float64 }

func (f floor) depth(omega float64) complex128 {
	skin := math.Sqrt(2 / (omega * 4e-7 * math.Pi * f.conductivity))
	return complex(skin, -skin)
}

func (f floor) coupling(e fieldmodels.Emitter, c mutual.Coil, pose rigid.Pose, omega float64) complex128 {
	center := r3.Vec{X: e.Center.X, Y: e.Center.Y, Z: 2*f.height - e.Center.Z}
	axis := r3.Vec{X: e.Axis.X, Y: e.Axis.Y, Z: -e.Axis.Z}
	src := fieldmodels.PlaceAxis(fieldmodels.Loop{Radius: 0.035, Turns: 40}, center, axis)
	b, j, err := src.Gradient(pose.Apply(c.Center))
	if err != nil {
		panic(err)
	}
	n := pose.Rotate(c.Axis)
	along := r3.Dot(n, r3.Vec{X: j[0][2], Y: j[1][2], Z: j[2][2]})
	return complex(c.AreaTurns, 0) * (complex(r3.Dot(n, b), 0) + f.depth(omega)*complex(along, 0))
}

func (f floor) distance(p r3.Vec) float64 { return p.Z - f.height }

// The floor against the half-space's field by quadrature
// (testdata/published/half_space_vertical_dipole.csv).
func TestFloorMatchesHalfSpace(t *testing.T) {
	checked := 0
	for _, row := range published.Table(t, "half_space_vertical_dipole.csv") {
		h, rho, z := row.Number("dipole_height_m"), row.Number("rho_m"), row.Number("z_m")
		omega := 2 * math.Pi * row.Number("frequency_Hz")
		d := floor{0, row.Number("conductivity_S_per_m")}.depth(omega)
		image := &fieldmodels.PlacedDipole{Center: r3.Vec{Z: -h}, Moment: r3.Vec{Z: -1}}
		b, j, err := image.Gradient(r3.Vec{X: rho, Z: z})
		if err != nil {
			t.Fatal(err)
		}
		share := cmplx.Abs(d) / math.Hypot(rho, h+z)
		if share > 0.05 {
			continue
		}
		checked++
		for i, want := range []complex128{
			complex(row.Number("B_rho_secondary_re_T_per_A_m2"), row.Number("B_rho_secondary_im_T_per_A_m2")),
			complex(row.Number("B_z_secondary_re_T_per_A_m2"), row.Number("B_z_secondary_im_T_per_A_m2")),
		} {
			got := complex(b.X, 0) + d*complex(j[0][2], 0)
			if i == 1 {
				got = complex(b.Z, 0) + d*complex(j[2][2], 0)
			}
			// The next term of 1/(R+d)³ is 6·(d/R)² of it; ten for directions in
			// which the first terms partly cancel.
			if cmplx.Abs(got-want) > 10*share*share*r3.Norm(b) {
				t.Errorf("%v: component %d is %v, want %v", row, i, got, want)
			}
		}
	}
	if checked < 3 {
		t.Errorf("%d rows checked", checked)
	}
}

func TestSphereMoment(t *testing.T) {
	for _, row := range published.Table(t, "conducting_sphere_dipole.csv") {
		permeability, ratio := row.Number("relative_permeability"), row.Number("radius_over_skin_depth")
		got := sphereMoment(permeability, ratio)
		want := complex(row.Number("re_m_over_2pi_a3_H0"), row.Number("im_m_over_2pi_a3_H0"))
		// j₁ is a difference of terms of order 1/x whose result is of order x, so
		// that 1/x² of rounding comes in; the moment at µ = 1 is of order x² again.
		x := ratio * math.Sqrt2
		if d := cmplx.Abs(got - want); d > 1e-15*(10+100/(x*x)) {
			t.Errorf("µ %g, a/δ %g: %v, want %v", permeability, ratio, got, want)
		}
	}
}

func randomTurn(r *rand.Rand) quat.Number {
	return rigid.Normalize(quat.Number{Real: r.NormFloat64(), Imag: r.NormFloat64(), Jmag: r.NormFloat64(), Kmag: r.NormFloat64()})
}

func rotate(q quat.Number, v r3.Vec) r3.Vec { return rigid.Rotate(q, v) }

func randomAxis(r *rand.Rand) r3.Vec {
	return r3.Unit(r3.Vec{X: r.NormFloat64(), Y: r.NormFloat64(), Z: r.NormFloat64()})
}

func inBox(r *rand.Rand, lo, hi r3.Vec) r3.Vec {
	return r3.Vec{X: lo.X + r.Float64()*(hi.X-lo.X), Y: lo.Y + r.Float64()*(hi.Y-lo.Y), Z: lo.Z + r.Float64()*(hi.Z-lo.Z)}
}

// randomMetal draws a sphere (0), a ring (1), a plate (2), a steel sphere
// (3) or a floor (4) of a random conductivity of three, clear of the sensor and the emitters.
func randomMetal(r *rand.Rand, kind int, sensor r3.Vec, p solver.Problem) metal {
	conductivity := []float64{1.4e6, 3.5e7, 5.8e7}[r.IntN(3)] // stainless steel, aluminium, copper
draw:
	for {
		at := inBox(r, r3.Vec{X: -0.3, Y: -0.3, Z: -0.1}, r3.Vec{X: 0.3, Y: 0.3, Z: 0.45})
		var m metal
		size := 0.0
		switch kind {
		case 0:
			size = 0.004 * math.Pow(10, r.Float64())
			m = sphere{at, size, conductivity, 1}
		case 1:
			size = 0.008 * math.Pow(8, r.Float64())
			m = ring{at, randomAxis(r), size, 0.001 + 0.002*r.Float64(), conductivity}
		case 2:
			side := 0.05 + 0.15*r.Float64()
			size = side / 3
			m = newPlate(rigid.Pose{Position: at, Rotation: randomTurn(r)}, side, 0.001+0.002*r.Float64(), conductivity)
		case 4:
			return floor{-0.03 - 0.3*r.Float64(), conductivity}
		case 3:
			size = 0.004 * math.Pow(10, r.Float64())
			m = sphere{at, size, conductivity / 5, 100}
		}
		if m.distance(sensor) < max(0.03, 0.8*size) {
			continue
		}
		for _, e := range p.Array.Emitters {
			if m.distance(e.Center) < 0.03 {
				continue draw
			}
		}
		return m
	}
}
