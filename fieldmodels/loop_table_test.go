package fieldmodels_test

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels"
	"tonepose/testdata/published"
)

// tableMu0 is the magnetic constant of the published tables [H/m], the exact
// value before 2019; results are brought to it before they are compared.
const tableMu0 = 4 * math.Pi * 1e-7

// vec returns the vector whose components stand in the columns prefix + x, y, z + suffix.
func vec(row published.Row, prefix, suffix string) r3.Vec {
	return r3.Vec{X: row.Number(prefix + "x" + suffix), Y: row.Number(prefix + "y" + suffix), Z: row.Number(prefix + "z" + suffix)}
}

// relative returns |got·tableMu0/Mu0 − want| / |want|.
func relative(got, want r3.Vec) float64 {
	got = r3.Scale(tableMu0/fieldmodels.Mu0, got)
	return r3.Norm(r3.Sub(got, want)) / r3.Norm(want)
}

// Simpson et al. (2001), reference values in 30 digits, the closest row 1e-4
// radii from the wire. The place itself is rounded: ρ, z and a to 2⁻⁵³ each,
// which moves B by up to 2⁻⁵³·(distance to centre)/(distance to wire).
func TestLoopPublished(t *testing.T) {
	for _, row := range published.Table(t, "field_circular_loop.csv") {
		a, rho, z := row.Number("loop_radius_m"), row.Number("rho_m"), row.Number("z_m")
		loop := fieldmodels.Loop{Radius: a, Turns: 1}
		want := r3.Vec{X: row.Number("B_rho_T_per_A"), Z: row.Number("B_z_T_per_A")}
		got, err := loop.Field(r3.Vec{X: rho, Z: z})
		if err != nil {
			t.Fatal(err)
		}
		condition := 1 + math.Hypot(rho, z)/math.Hypot(rho-a, z)
		tol := 8 * 0x1p-53 * condition
		if d := relative(got, want); d > tol {
			t.Errorf("ρ = %g, z = %g: off by %.1e (tolerance %.1e)", rho, z, d, tol)
		}
		if want.X != 0 {
			if d := math.Abs(got.X*tableMu0/fieldmodels.Mu0/want.X - 1); d > tol {
				t.Errorf("ρ = %g, z = %g: B_ρ off by %.1e of itself (tolerance %.1e)", rho, z, d, tol)
			}
		}
		// Any azimuth: the same components.
		const c, s = 0.6, 0.8
		turned, err := loop.Field(r3.Vec{X: c * rho, Y: s * rho, Z: z})
		if err != nil {
			t.Fatal(err)
		}
		if d := relative(turned, r3.Vec{X: c * want.X, Y: s * want.X, Z: want.Z}); d > tol {
			t.Errorf("ρ = %g, z = %g, turned: off by %.1e (tolerance %.1e)", rho, z, d, tol)
		}
	}
}
