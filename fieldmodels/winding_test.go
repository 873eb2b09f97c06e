package fieldmodels_test

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/integrate/quad"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels"
	"tonepose/testdata/published"
)

// Derby, Olbert (2010): reference values in 20 digits. Beside a long coil B is
// the small difference of its ends: errors are in units of the field inside,
// or, in the far field, of B itself (where the table's coil is summed as loops).
func TestSheetPublished(t *testing.T) {
	for _, row := range published.Table(t, "field_finite_solenoid_sheet.csv") {
		a, l, rho, z := row.Number("radius_m"), row.Number("length_m"), row.Number("rho_m"), row.Number("z_from_centre_m")
		sheet := fieldmodels.Sheet{Radius: a, Length: l, Turns: l} // 1 A/m
		got, err := sheet.Field(r3.Vec{X: rho, Z: z})
		if err != nil {
			t.Fatal(err)
		}
		got = r3.Scale(tableMu0/fieldmodels.Mu0, got)
		want := r3.Vec{X: row.Number("B_rho_T_per_A_per_m"), Z: row.Number("B_z_T_per_A_per_m")}
		scale := r3.Norm(want)
		if math.Hypot(rho, z) < 2*l {
			scale = math.Max(scale, 0.2*tableMu0)
		}
		if d := r3.Norm(r3.Sub(got, want)) / scale; d > 2e-15 {
			t.Errorf("ρ = %g, z = %g: off by %.1e", rho, z, d)
		}
	}
}

// Flat coil: loops summed over the radius, 15 digits.
func TestFlatWindingPublished(t *testing.T) {
	for _, row := range published.Table(t, "field_flat_annular_coil.csv") {
		w := fieldmodels.Winding{InnerRadius: row.Number("inner_radius_m"), OuterRadius: row.Number("outer_radius_m"), Turns: 1}
		got, err := w.Field(r3.Vec{Y: row.Number("rho_m"), Z: row.Number("z_m")})
		if err != nil {
			t.Fatal(err)
		}
		want := r3.Vec{Y: row.Number("B_rho_T_per_A_turn"), Z: row.Number("B_z_T_per_A_turn")}
		// The table states 15 digits and its own differences up to 1e-14.
		if d := relative(got, want); d > 1e-14 {
			t.Errorf("%v: off by %.1e", row, d)
		}
	}
}

// The axis of a thick coil in closed form (Montgomery, Solenoid Magnet Design,
// 1969, ch. 1; not checked against the
// original, and by integration of the loop's axial field).
func TestWindingOnAxis(t *testing.T) {
	w := fieldmodels.Winding{InnerRadius: 0.02, OuterRadius: 0.035, Length: 0.05, Turns: 500}
	end := func(u float64) float64 {
		return u * math.Log((w.OuterRadius+math.Hypot(w.OuterRadius, u))/(w.InnerRadius+math.Hypot(w.InnerRadius, u)))
	}
	for _, z := range []float64{0, 0.01, -0.025, 0.0250001, 0.04, -0.08, 0.2} {
		k := fieldmodels.Mu0 * w.Turns / (2 * w.Length * (w.OuterRadius - w.InnerRadius))
		want := k * (end(z+w.Length/2) - end(z-w.Length/2))
		got, err := w.Field(r3.Vec{Z: z})
		if err != nil {
			t.Fatal(err)
		}
		// The ends cancel in the formula: the logarithm's argument is rounded
		// three times, which leaves 3·2⁻⁵³·u at each end.
		tol := 4*0x1p-53 + 3*0x1p-53*k*(math.Abs(z+w.Length/2)+math.Abs(z-w.Length/2))/want
		if d := math.Abs(got.Z/want - 1); d > tol || got.X != 0 || got.Y != 0 {
			t.Errorf("z = %g: %v, want %g (off by %.1e)", z, got, want, d)
		}
	}
}

// A coil against 60×60 loops at Gauss points, everywhere outside where that many
// resolve it: their error is of order ϱ^(−120) = 3e-18 with ϱ = y+√(1+y²) = 1.4 at
// a distance of y = 0.35 of half the section's larger side.
func TestWindingIsSumOfLoops(t *testing.T) {
	const n = 60
	x, wx := make([]float64, n), make([]float64, n)
	quad.Legendre{}.FixedLocations(x, wx, -1, 1)
	rng := rand.New(rand.NewPCG(5, 6))
	for _, w := range []fieldmodels.Winding{
		{InnerRadius: 0.02, OuterRadius: 0.035, Length: 0.02, Turns: 400},
		{InnerRadius: 0.01, OuterRadius: 0.015, Length: 0.06, Turns: 100},
		{InnerRadius: 0.03, OuterRadius: 0.03, Length: 0.05, Turns: 10},
		{InnerRadius: 0, OuterRadius: 0.03, Length: 0.01, Turns: 10},
	} {
		distance := boxDistance(w.InnerRadius, w.OuterRadius, w.Length/2)
		least := 0.35 * math.Max(w.OuterRadius-w.InnerRadius, w.Length) / 2
		for range 100 {
			p := r3.Scale(0.04*math.Pow(10, -1+4*rng.Float64()), r3.Unit(r3.Vec{X: rng.NormFloat64(), Y: rng.NormFloat64(), Z: rng.NormFloat64()}))
			if distance(p) < least {
				continue
			}
			var want r3.Vec
			var wantJ fieldmodels.Jacobian
			scale := 0.0
			for i := range x {
				a := 0.5*(w.InnerRadius+w.OuterRadius) + 0.5*(w.OuterRadius-w.InnerRadius)*x[i]
				for k := range x {
					b, j, err := fieldmodels.Loop{Radius: a, Turns: w.Turns * wx[i] * wx[k] / 4}.Gradient(r3.Vec{X: p.X, Y: p.Y, Z: p.Z - w.Length/2*x[k]})
					if err != nil {
						t.Fatal(err)
					}
					want = r3.Add(want, b)
					scale += r3.Norm(b)
					for r := range j {
						for c := range j[r] {
							wantJ[r][c] += j[r][c]
						}
					}
				}
			}
			got, gotJ, err := w.Gradient(p)
			if err != nil {
				t.Fatal(err)
			}
			if d := r3.Norm(r3.Sub(got, want)) / scale; d > 1e-14 {
				t.Errorf("%+v at %v: B off by %.1e", w, p, d)
			}
			for r := range gotJ {
				for c := range gotJ[r] {
					gotJ[r][c] -= wantJ[r][c]
				}
			}
			if d := norm(gotJ) * distance(p) / scale; d > 1e-13 {
				t.Errorf("%+v at %v: J off by %.1e", w, p, d)
			}
		}
	}
}

// Inside the winding B is continuous and obeys curl B = μ0·J.
func TestInsideWinding(t *testing.T) {
	w := fieldmodels.Winding{InnerRadius: 0.02, OuterRadius: 0.035, Length: 0.02, Turns: 400}
	field := func(x, z float64) r3.Vec {
		b, err := w.Field(r3.Vec{X: x, Z: z})
		if err != nil {
			t.Fatal(err)
		}
		return b
	}
	density := w.Turns / (w.Length * (w.OuterRadius - w.InnerRadius))
	for _, p := range [][2]float64{{0.025, 0}, {0.0301, 0.007}, {0.021, -0.0095}} {
		const h = 1e-4
		diff := func(f func(k float64) float64) float64 {
			return (8*(f(1)-f(-1)) - (f(2) - f(-2))) / (12 * h)
		}
		curl := diff(func(k float64) float64 { return field(p[0], p[1]+k*h).X }) -
			diff(func(k float64) float64 { return field(p[0]+k*h, p[1]).Z })
		// Truncation (h/distance to the edge)⁴ = (1e-4/5e-4)⁴/5 at the worst point.
		if d := math.Abs(curl/(fieldmodels.Mu0*density) - 1); d > 3e-4 {
			t.Errorf("at %v: curl B off by %.1e of μ0·J", p, d)
		}
	}
	// Across each face: B is continuous, so 1e-9 m apart it differs by no more
	// than 1e-9·|curl|·log; a jump would be of order μ0·J·thickness.
	for _, p := range [][4]float64{{0.02, 0.003, 1, 0}, {0.035, 0, 1, 0}, {0.03, 0.01, 0, 1}, {0.02, 0.01, 1, 1}, {0.035, -0.01, 1, 0}} {
		const e = 1e-9
		b1, b2, b0 := field(p[0]-e*p[2], p[1]-e*p[3]), field(p[0]+e*p[2], p[1]+e*p[3]), field(p[0], p[1])
		tol := 40 * e * fieldmodels.Mu0 * density
		if r3.Norm(r3.Sub(b1, b2)) > tol || r3.Norm(r3.Sub(b1, b0)) > tol {
			t.Errorf("at %v: B = %v inside, %v on, %v outside", p, b1, b0, b2)
		}
	}
	if _, _, err := w.Gradient(r3.Vec{X: 0.03}); !errors.Is(err, fieldmodels.ErrOnConductor) {
		t.Errorf("Gradient inside: %v", err)
	}
	if _, err := (fieldmodels.Sheet{Radius: 0.1, Length: 0.2, Turns: 1}).Field(r3.Vec{X: 0.1, Z: 0.05}); !errors.Is(err, fieldmodels.ErrOnConductor) {
		t.Errorf("Field on a sheet: %v", err)
	}
	if _, err := (fieldmodels.Winding{InnerRadius: 0.1, OuterRadius: 0.2, Turns: 1}).Field(r3.Vec{X: 0.15}); !errors.Is(err, fieldmodels.ErrOnConductor) {
		t.Errorf("Field on a flat winding: %v", err)
	}
}

// A winding is the sum of the windings that it is cut into, inside as outside:
// the cuts move every panel of the quadrature and every closed form.
func TestWindingSuperposition(t *testing.T) {
	rng := rand.New(rand.NewPCG(19, 20))
	w := fieldmodels.Winding{InnerRadius: 0.02, OuterRadius: 0.035, Length: 0.02, Turns: 400}
	center, err := w.Field(r3.Vec{})
	if err != nil {
		t.Fatal(err)
	}
	for range 200 {
		radius := w.InnerRadius + (w.OuterRadius-w.InnerRadius)*rng.Float64()
		height := w.Length * (rng.Float64() - 0.5)
		var parts fieldmodels.Sum
		for _, r := range [][2]float64{{w.InnerRadius, radius}, {radius, w.OuterRadius}} {
			for _, z := range [][2]float64{{-w.Length / 2, height}, {height, w.Length / 2}} {
				part := fieldmodels.Winding{InnerRadius: r[0], OuterRadius: r[1], Length: z[1] - z[0],
					Turns: w.Turns * (r[1] - r[0]) / (w.OuterRadius - w.InnerRadius) * (z[1] - z[0]) / w.Length}
				parts = append(parts, fieldmodels.PlaceAxis(part, r3.Vec{Z: (z[0] + z[1]) / 2}, r3.Vec{Z: 1}))
			}
		}
		rho := w.InnerRadius*0.8 + (1.2*w.OuterRadius-0.8*w.InnerRadius)*rng.Float64()
		sin, cos := math.Sincos(2 * math.Pi * rng.Float64())
		p := r3.Vec{X: rho * cos, Y: rho * sin, Z: 1.5 * w.Length * (rng.Float64() - 0.5)}
		got, err1 := w.Field(p)
		want, err2 := parts.Field(p)
		if err1 != nil || err2 != nil {
			t.Fatal(err1, err2)
		}
		if d := r3.Norm(r3.Sub(got, want)) / r3.Norm(center); d > 1e-13 {
			t.Errorf("at %v, cut at radius %g, height %g: off by %.1e", p, radius, height, d)
		}
	}
}
