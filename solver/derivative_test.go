package solver

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels"
	"tonepose/fieldmodels/mutual"
	"tonepose/fieldmodels/rigid"
)

// models are sources about the size of 35 mm round the origin, axis Z.
func models() map[string]fieldmodels.Source {
	const a = 0.035
	corners := []r3.Vec{{X: a, Y: -a, Z: 0.004}, {X: a, Y: a}, {X: -a, Y: 0.8 * a, Z: -0.003}, {X: -0.7 * a, Y: -a}}
	return map[string]fieldmodels.Source{
		"dipole":       fieldmodels.Dipole{Moment: r3.Vec{X: 0.02, Y: -0.01, Z: 0.15}},
		"loop":         fieldmodels.Loop{Radius: a, Turns: 40},
		"winding":      fieldmodels.Winding{InnerRadius: 0.6 * a, OuterRadius: a, Length: 0.5 * a, Turns: 300},
		"sheet":        fieldmodels.Sheet{Radius: a, Length: 0.8 * a, Turns: 100},
		"rectangle":    fieldmodels.Rectangle{Width: 2 * a, Height: 1.4 * a, Turns: 20},
		"polyline":     fieldmodels.Polyline{Points: corners, Closed: true, Turns: 10},
		"sum":          fieldmodels.Sum{fieldmodels.Loop{Radius: a, Turns: 40}, fieldmodels.PlaceAxis(fieldmodels.Loop{Radius: a / 2, Turns: 20}, r3.Vec{Z: 0.01}, r3.Vec{X: 0.1, Z: 1})},
		"placed":       fieldmodels.Place(fieldmodels.Rectangle{Width: a, Height: a, Turns: 20}, rigid.Pose{Position: r3.Vec{X: 0.005}, Rotation: rigid.Exp(r3.Vec{X: 0.3, Y: -0.2, Z: 1})}),
		"placed loop":  fieldmodels.PlaceAxis(fieldmodels.Loop{Radius: a, Turns: 40}, r3.Vec{Y: 0.01}, r3.Vec{X: 0.2, Z: 1}),
		"plain dipole": plainDipole{moment: r3.Vec{Z: 0.15}},
	}
}

// The derivatives of every model's couplings, for point coils and discs, against
// differences: from 5 radii of the disc beside the conductor to 2 m away, every
// fifth place on the axis.
//
// Six-point central differences of step h at distance r from the conductor err
// by (h/r)⁶/140 times the seventh derivative, up to 9!/2 of the field for a
// dipole: 1.3e-9 of M/r with h = r/100; rounding adds 1e-14·100. Turning the
// sensor moves its coils by their arms, which are kept below r/3.
func TestDerivatives(t *testing.T) {
	for name, src := range models() {
		for _, radius := range []float64{0, 0.004} {
			s, err := New(Problem{
				Array: fieldmodels.Array{Emitters: []fieldmodels.Emitter{{Name: name, Source: src, Axis: r3.Vec{Z: 1}}}},
				Sensor: mutual.Sensor{Coils: []mutual.Coil{
					{Center: r3.Vec{X: 0.003, Y: 0.001, Z: -0.002}, Axis: r3.Vec{X: 1}, AreaTurns: 0.004, Radius: radius},
					{Center: r3.Vec{X: -0.002, Z: 0.001}, Axis: r3.Unit(r3.Vec{X: 0.1, Y: 1, Z: -0.3}), AreaTurns: 0.003, Radius: radius},
				}},
				Volume: Volume{Min: r3.Vec{X: 0.1, Y: 0.1, Z: 0.1}, Max: r3.Vec{X: 0.2, Y: 0.2, Z: 0.2}},
			}, Options{})
			if err != nil {
				t.Fatal(err)
			}
			r := rand.New(rand.NewPCG(1, 2))
			for i := range derivativePoses {
				// From the nearest part of the models' 50 mm sphere outward.
				away := 0.02 * math.Pow(100, r.Float64())
				dir := r3.Unit(r3.Vec{X: r.NormFloat64(), Y: r.NormFloat64(), Z: r.NormFloat64()})
				if i%5 == 0 {
					dir = r3.Vec{Z: 1}
				}
				pose := rigid.Pose{Position: r3.Scale(0.05+away, dir), Rotation: randomQuat(r)}
				checkDerivatives(t, name, s, pose, away)
			}
		}
	}
}

func checkDerivatives(t *testing.T, name string, s *Solver, pose rigid.Pose, length float64) {
	t.Helper()
	n := len(s.rig.sources) * len(s.rig.pickups)
	m, jac := make([]float64, n), make([][6]float64, n)
	if err := s.Evaluate(pose, m, jac); err != nil {
		t.Fatal(err)
	}
	var at [7][]float64
	for i := range at {
		at[i] = make([]float64, n)
	}
	// The size of couplings there, whatever the orientation.
	size := 0.0
	for j := range n {
		size = max(size, math.Abs(m[j]), length*math.Hypot(jac[j][0], math.Hypot(jac[j][1], jac[j][2])))
	}
	for i := range 6 {
		h, unit := length/100, 1/length
		if i >= 3 {
			h, unit = 0.01, 1
		}
		for k := -3; k <= 3; k++ {
			if err := s.Evaluate(shifted(pose, i, float64(k)*h), at[k+3], nil); err != nil {
				t.Fatal(err)
			}
		}
		for j := range n {
			d := (45*(at[4][j]-at[2][j]) - 9*(at[5][j]-at[1][j]) + at[6][j] - at[0][j]) / (60 * h)
			if e := math.Abs(d - jac[j][i]); e > 1e-8*size*unit {
				t.Errorf("%s: coupling %d by parameter %d at %v: %g, differences %g, off by %.2g", name, j, i, pose, jac[j][i], d, e/(size*unit))
			}
		}
	}
}
