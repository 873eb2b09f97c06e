package mutual

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"
	"pgregory.net/rapid"

	"tonepose/fieldmodels"
	"tonepose/fieldmodels/rigid"
)

// bench is one source and a probe, with everything that a derivative moves.
type bench struct {
	source fieldmodels.Source
	coils  []Coil
	pose   rigid.Pose
}

// center is what the source is tilted about.
var center = r3.Vec{X: 0.004, Y: -0.003, Z: 0.006}

// couplings are those of the bench with parameter i of the pose, of the emitter
// (from 6 on) or of every coil (from 13 on) moved by step: really moved, by other
// code than that of the derivatives.
func (b bench) couplings(i int, step float64) []float64 {
	var at [3]float64
	move := func(k int) r3.Vec {
		at[k] = step
		return r3.Vec{X: at[0], Y: at[1], Z: at[2]}
	}
	source, coils, pose, strength := b.source, append([]Coil(nil), b.coils...), b.pose, 1.0
	about := func(q r3.Vec) rigid.Pose { // a turn about center
		r := rigid.Exp(q)
		return rigid.Pose{Position: r3.Sub(center, rigid.Rotate(r, center)), Rotation: r}
	}
	switch {
	case i < 3:
		pose = pose.Plus(move(i), r3.Vec{})
	case i < 6:
		pose = pose.Plus(r3.Vec{}, move(i-3))
	case i < 9:
		source = fieldmodels.Place(source, rigid.Pose{Position: move(i - 6), Rotation: rigid.Identity().Rotation})
	case i < 12:
		source = fieldmodels.Place(source, about(move(i-9)))
	case i == 12:
		strength += step
	case i < 16:
		for c := range coils {
			coils[c].Center = r3.Add(coils[c].Center, move(i-13))
		}
	case i < 19:
		for c := range coils {
			coils[c].Axis = rigid.Rotate(rigid.Exp(move(i-16)), coils[c].Axis)
		}
	default:
		strength += step
	}
	m, err := New(fieldmodels.Array{Emitters: []fieldmodels.Emitter{{Source: source}}}, Sensor{Coils: coils})
	if err != nil {
		panic(err)
	}
	out := make([]float64, len(coils))
	if err := m.Evaluate(pose, out, nil); err != nil {
		panic(err)
	}
	for k := range out {
		out[k] *= strength
	}
	return out
}

// The derivatives of every model's couplings by pose, emitter and coil, for point
// coils and discs, against differences: from 5 radii of the disc beside the
// conductor to 2 m away, on the axis too.
//
// Six-point central differences of step h at distance r from the conductor err
// by (h/r)⁶/140 times the seventh derivative, up to 9!/2 of the field for a
// dipole: 1.3e-9 of M/r with h = r/100; rounding adds 1e-14·100. Turns move
// coils by their arms, kept below r/3, and the source's parts by 40 mm, below 2r.
// Turned by 0.01·2 those are moved by 4h: 64 times as much would be 1e-7 of it.
func TestDerivatives(t *testing.T) {
	for name, src := range models() {
		for _, radius := range []float64{0, 0.004} {
			rapid.Check(t, func(t *rapid.T) {
				r := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 2))
				// From the nearest part of the models' 50 mm sphere outward.
				away := 0.02 * math.Pow(100, r.Float64())
				dir := r3.Unit(r3.Vec{X: r.NormFloat64(), Y: r.NormFloat64(), Z: r.NormFloat64()})
				if rapid.IntRange(0, 4).Draw(t, "on the axis") == 0 {
					dir = r3.Vec{Z: 1}
				}
				checkDerivatives(t, name, bench{src, []Coil{
					{Center: r3.Vec{X: 0.003, Y: 0.001, Z: -0.002}, Axis: r3.Vec{X: 1}, AreaTurns: 0.004, Radius: radius},
					{Center: r3.Vec{X: -0.002, Z: 0.001}, Axis: r3.Unit(r3.Vec{X: 0.1, Y: 1, Z: -0.3}), AreaTurns: 0.003, Radius: radius},
				}, rigid.Pose{Position: r3.Scale(0.05+away, dir), Rotation: randomQuat(r)}}, away)
			})
		}
	}
}

func checkDerivatives(t *rapid.T, name string, b bench, length float64) {
	m, err := New(fieldmodels.Array{Emitters: []fieldmodels.Emitter{{Source: b.source, Center: center}}}, Sensor{Coils: b.coils})
	if err != nil {
		t.Fatal(err)
	}
	derivatives, value, slope := make([]Derivatives, len(b.coils)), make([]float64, len(b.coils)), make([][6]float64, len(b.coils))
	if err := errors.Join(m.Derivatives(derivatives, b.pose), m.Evaluate(b.pose, value, slope)); err != nil {
		t.Fatal(err)
	}
	// The size of couplings there, whatever the orientation.
	size := 0.0
	for c, d := range derivatives {
		size = max(size, math.Abs(d.M), length*math.Hypot(d.Pose[0], math.Hypot(d.Pose[1], d.Pose[2])))
		if value[c] != d.M || slope[c] != d.Pose {
			t.Errorf("%s: Evaluate and Derivatives differ: %v and %v", name, value[c], d)
		}
	}
	for i := range 20 {
		lengths := i < 3 || i >= 6 && i < 9 || i >= 13 && i < 16
		h, unit := 0.01, 1.0
		if lengths {
			h, unit = length/100, 1/length
		} else if i >= 9 && i < 12 { // the source's parts move by up to 40 mm a radian
			h = 0.01 * min(1, length/0.04)
			unit = 1 + 0.04/length
		}
		var at [7][]float64
		for k := range at {
			at[k] = b.couplings(i, float64(k-3)*h)
		}
		for c, d := range derivatives {
			got := append(append(append([]float64(nil), d.Pose[:]...), d.Emitter[:]...), d.Coil[:]...)[i]
			want := (45*(at[4][c]-at[2][c]) - 9*(at[5][c]-at[1][c]) + at[6][c] - at[0][c]) / (60 * h)
			if e := math.Abs(got - want); e > 1e-8*size*unit {
				t.Errorf("%s: coupling %d by parameter %d at %v: %g, differences %g, off by %.2g", name, c, i, b.pose, got, want, e/(size*unit))
			}
		}
	}
}

// The rate of a moving sensor is the difference of its couplings in time.
func TestRate(t *testing.T) {
	src := fieldmodels.PlaceAxis(fieldmodels.Loop{Radius: 0.035, Turns: 40}, center, r3.Vec{X: 1, Z: 2})
	coil := Coil{Center: r3.Vec{X: 0.003, Y: 0.001}, Axis: r3.Vec{Y: 1}, AreaTurns: 0.004, Radius: 0.004}
	pose := rigid.Pose{Position: r3.Vec{X: 0.1, Y: 0.05, Z: 0.12}, Rotation: rigid.Exp(r3.Vec{X: 1, Y: 2, Z: 0.5})}
	v, w := r3.Vec{X: 0.3, Y: -0.5, Z: 0.2}, r3.Vec{X: 2, Y: 1, Z: -3}
	pickup := NewPickup(coil)
	at := func(s float64) (c Coupling) {
		frame := NewFrame(pose.Plus(r3.Scale(s, v), r3.Scale(s, w)))
		var p Placed
		pickup.Place(&p, &frame)
		if err := p.Couple(&c, src); err != nil {
			t.Fatal(err)
		}
		return c
	}
	// 0.6 m/s at 0.1 m: a step of 1e-4 s is h/r = 6e-4; four-point differences err
	// by (h/r)⁴ times some 30, rounding by 1e-16/1e-4 of M a second, 1e-12.
	const h = 1e-4
	here := at(0)
	got, want := here.Rate(v, w), (8*(at(h).M-at(-h).M)-at(2*h).M+at(-2*h).M)/(12*h)
	if math.Abs(got-want) > 1e-10*math.Abs(here.M)*10 {
		t.Errorf("dM/dt = %g H/s, differences %g", got, want)
	}
}

// Neither couplings nor derivatives allocate, with discs near and far.
func TestNoAllocation(t *testing.T) {
	loop := func(x float64) fieldmodels.Emitter {
		return fieldmodels.Emitter{Source: fieldmodels.PlaceAxis(fieldmodels.Loop{Radius: 0.03, Turns: 1}, r3.Vec{X: x}, r3.Vec{Z: 1})}
	}
	m, err := New(fieldmodels.Array{Emitters: []fieldmodels.Emitter{loop(0), loop(0.1), loop(0.2)}},
		Sensor{Coils: []Coil{{Axis: r3.Vec{Z: 1}, AreaTurns: 1, Radius: 0.004}, {Axis: r3.Vec{X: 1}, AreaTurns: 1}}})
	if err != nil {
		t.Fatal(err)
	}
	value, slope, all := make([]float64, 6), make([][6]float64, 6), make([]Derivatives, 6)
	for _, z := range []float64{0.01, 0.2} {
		pose := rigid.Pose{Position: r3.Vec{Z: z}, Rotation: rigid.Identity().Rotation}
		if n := testing.AllocsPerRun(100, func() {
			if m.Evaluate(pose, value, slope) != nil || m.Derivatives(all, pose) != nil {
				t.Fatal("no field")
			}
		}); n != 0 {
			t.Errorf("%g allocations at %g m", n, z)
		}
	}
}

// On a conductor the source's error names emitter and coil.
func TestOnConductor(t *testing.T) {
	m, err := New(fieldmodels.Array{Emitters: []fieldmodels.Emitter{{Name: "e1", Source: fieldmodels.Loop{Radius: 1, Turns: 1}}}},
		Sensor{Coils: []Coil{{Center: r3.Vec{X: 1}, Axis: r3.Vec{Z: 1}, AreaTurns: 1}}})
	if err != nil {
		t.Fatal(err)
	}
	if err := m.Evaluate(rigid.Identity(), make([]float64, 1), nil); !errors.Is(err, fieldmodels.ErrOnConductor) {
		t.Errorf("on the conductor: %v", err)
	}
}
