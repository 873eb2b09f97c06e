package fieldmodels

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels/rigid"
	"tonepose/testdata/published"
)

// Mutual inductance of two circles in any position as ∮A·dl: every row of the
// tables, circles 1e-3 radii apart included, by the vector potential that the
// sheet's B_ρ is the difference of. The integrand is smooth and periodic: the
// trapezoidal rule converges as exp(−n·distance/radius).
func TestMutualInductanceByPotential(t *testing.T) {
	const tableMu0 = 4 * math.Pi * 1e-7
	check := func(row published.Row, center, axis r3.Vec) {
		r1, r2 := row.Number("radius1_m"), row.Number("radius2_m")
		place := rigid.Pose{Position: center, Rotation: rigid.Between(r3.Vec{Z: 1}, axis)}
		const n = 1024
		var terms [n]float64
		size := 0.0
		for i := range n {
			sin, cos := math.Sincos(2 * math.Pi * float64(i) / n)
			p := place.Apply(r3.Vec{X: r2 * cos, Y: r2 * sin})
			dl := place.Rotate(r3.Vec{X: -r2 * sin, Y: r2 * cos})
			// A = μ0·a²/4·(σ/(M·h))·(−y, x, 0).
			k := tableMu0 / 4 * r1 * r1 * loopPotential(r1, p.X*p.X+p.Y*p.Y, p.Z)
			v := k * (p.X*dl.Y - p.Y*dl.X)
			terms[i] = v
			size += k * math.Hypot(p.X, p.Y) * r2
		}
		// The tables have 15 digits, and state their own differences. What the
		// parts of the circle cancel is lost.
		got, want := 2*math.Pi/n*floats.SumCompensated(terms[:]), row.Number("mutual_inductance_H")
		tol := 1e-14*math.Abs(want) + 1e-15*2*math.Pi*size/n
		if d := math.Abs(got - want); d > tol {
			t.Errorf("%v: M = %.15g H, off by %.1e H (tolerance %.1e H)", row, got, d, tol)
		}
	}
	for _, row := range published.Table(t, "mutual_coaxial_circles.csv") {
		check(row, r3.Vec{Z: row.Number("axial_distance_m")}, r3.Vec{Z: 1})
	}
	for _, row := range published.Table(t, "mutual_misaligned_circles.csv") {
		check(row, r3.Vec{X: row.Number("centre2_x_m"), Y: row.Number("centre2_y_m"), Z: row.Number("centre2_z_m")},
			r3.Vec{X: row.Number("normal2_x"), Y: row.Number("normal2_y"), Z: row.Number("normal2_z")})
	}
}
