package solver

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels"
	"tonepose/fieldmodels/rigid"
	"tonepose/solver/internal/kernel"
)

// loopLike is a loop of 35 mm radius with a dipole's moment.
func loopLike(c, m r3.Vec) fieldmodels.Source {
	const radius = 0.035
	return fieldmodels.PlaceAxis(fieldmodels.Loop{Radius: radius, Turns: r3.Norm(m) / (math.Pi * radius * radius)}, c, m)
}

// The rows of a descent, in which the couplings are fused with their weights, are
// those of mutual: the kernels' dipoles, dipoles that the solver does not know,
// and loops, with coils off the sensor's origin. Sums of some ten terms, of up to
// five times the field, are rounded in other orders; the rotation of the descent
// is unit to 1e-15.
func TestRowsAreMutual(t *testing.T) {
	for name, source := range map[string]func(center, moment r3.Vec) fieldmodels.Source{
		"dipole": knownDipole, "any source": anySource, "loop": loopLike,
	} {
		p, tasks := fixedProblem(t, 6, source)
		s, err := New(p, Options{})
		if err != nil {
			t.Fatal(err)
		}
		if (s.rig.dipoles != nil) != (name == "dipole") {
			t.Fatalf("%s: in the kernels: %v", name, s.rig.dipoles != nil)
		}
		coils := len(p.Sensor.Coils)
		n := coils * len(p.Array.Emitters)
		value, slope := make([]float64, n), make([][6]float64, n)
		r := rand.New(rand.NewPCG(1, 2))
		for range 200 {
			pose := rigid.Pose{Position: randomIn(r, p.Volume), Rotation: randomQuat(r)}
			c := tasks[r.IntN(len(tasks))].couplings
			st := s.rig.stateOf(pose)
			if !s.load(new(Result), c) || !s.fillRows(&st) {
				t.Fatal("no rows")
			}
			if err := s.Evaluate(pose, value, slope); err != nil {
				t.Fatal(err)
			}
			pivot := pose.Rotate(s.rig.pivot)
			for i := range n {
				e, k := i/coils, i%coils
				row, l := &s.rows[e/kernel.Lanes*coils+k], e%kernel.Lanes
				sigma := math.Sqrt(c.Variance[i])
				g := r3.Vec{X: slope[i][0], Y: slope[i][1], Z: slope[i][2]}
				// A turn about the pivot is one about the origin less the pivot's shift.
				turn := r3.Sub(r3.Vec{X: slope[i][3], Y: slope[i][4], Z: slope[i][5]}, r3.Cross(pivot, g))
				want := [7]float64{g.X, g.Y, g.Z, turn.X, turn.Y, turn.Z, value[i] - c.Value[i]}
				b, err := p.Array.Emitters[e].Source.Field(pose.Apply(p.Sensor.Coils[k].Center))
				if err != nil {
					t.Fatal(err)
				}
				// The gradient's size is the field's over a length, here at least 0.02 m.
				for j := range want {
					size := p.Sensor.Coils[k].AreaTurns*r3.Norm(b) + math.Abs(c.Value[i])
					if j < 3 {
						size /= 0.02
					}
					if d := math.Abs(row[j][l]*sigma - want[j]); d > 1e-13*size {
						t.Errorf("%s: coupling %d, column %d: %g, want %g", name, i, j, row[j][l]*sigma, want[j])
					}
				}
			}
		}
	}
}
