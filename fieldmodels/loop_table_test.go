package fieldmodels_test

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels"
)

// tableMu0 is the magnetic constant of the published tables [H/m], the exact
// value before 2019; results are brought to it before they are compared.
const tableMu0 = 4 * math.Pi * 1e-7

// readTable returns the numbers of a table of testdata/published by column
// name; columns that are text are left out.
func readTable(t *testing.T, name string) []map[string]float64 {
	t.Helper()
	text, err := os.ReadFile("../testdata/published/" + name)
	if err != nil {
		t.Fatal(err)
	}
	r := csv.NewReader(strings.NewReader(string(text)))
	r.Comment = '#'
	records, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var rows []map[string]float64
	for _, rec := range records[1:] {
		row := map[string]float64{}
		for i, key := range records[0] {
			if v, err := strconv.ParseFloat(rec[i], 64); err == nil {
				row[key] = v
			}
		}
		rows = append(rows, row)
	}
	if len(rows) < 3 {
		t.Fatalf("%s: only %d rows", name, len(rows))
	}
	return rows
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
	for _, row := range readTable(t, "field_circular_loop.csv") {
		a, rho, z := row["loop_radius_m"], row["rho_m"], row["z_m"]
		loop := fieldmodels.Loop{Radius: a, Turns: 1}
		want := r3.Vec{X: row["B_rho_T_per_A"], Z: row["B_z_T_per_A"]}
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
