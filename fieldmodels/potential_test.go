package fieldmodels

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"testing"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels/rigid"
)

// Mutual inductance of two circles in any position as ∮A·dl: every row of the
// tables, circles 1e-3 radii apart included, by the vector potential that the
// sheet's B_ρ is the difference of. The integrand is smooth and periodic: the
// trapezoidal rule converges as exp(−n·distance/radius).
func TestMutualInductanceByPotential(t *testing.T) {
	const tableMu0 = 4 * math.Pi * 1e-7
	for _, name := range []string{"mutual_coaxial_circles.csv", "mutual_misaligned_circles.csv"} {
		file, err := os.Open("../testdata/published/" + name)
		if err != nil {
			t.Fatal(err)
		}
		defer file.Close()
		in := csv.NewReader(file)
		in.Comment = '#'
		rows, err := in.ReadAll()
		if err != nil {
			t.Fatal(err)
		}
		if len(rows) < 12 {
			t.Fatalf("%s: only %d rows", name, len(rows))
		}
		for _, row := range rows[1:] {
			number := func(column string) float64 {
				for i, key := range rows[0] {
					if key == column {
						v, err := strconv.ParseFloat(row[i], 64)
						if err != nil {
							t.Fatal(err)
						}
						return v
					}
				}
				return 0
			}
			r1, r2 := number("radius1_m"), number("radius2_m")
			place := rigid.Pose{
				Position: r3.Vec{X: number("centre2_x_m"), Y: number("centre2_y_m"), Z: number("centre2_z_m") + number("axial_distance_m")},
				Rotation: rigid.Between(r3.Vec{Z: 1}, r3.Vec{X: number("normal2_x"), Y: number("normal2_y"), Z: number("normal2_z") + number("axial_distance_m")}),
			}
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
			got, want := 2*math.Pi/n*floats.SumCompensated(terms[:]), number("mutual_inductance_H")
			tol := 1e-14*math.Abs(want) + 1e-15*2*math.Pi*size/n
			if d := math.Abs(got - want); d > tol {
				t.Errorf("%s: %v: M = %.15g H, off by %.1e H (tolerance %.1e H)", name, row, got, d, tol)
			}
		}
	}
}
