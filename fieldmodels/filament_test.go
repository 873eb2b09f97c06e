package fieldmodels_test

import (
	"errors"
	"math"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels"
	"tonepose/testdata/published"
)

// Biot–Savart closed form, 30 digits. The place is rounded to 2⁻⁵³ of its
// coordinates, which moves B by 2⁻⁵³·|p|/(distance to the wire).
func TestFilamentPublished(t *testing.T) {
	for _, row := range published.Table(t, "field_straight_filament.csv") {
		start := vec(row, "start_", "_m")
		end := vec(row, "end_", "_m")
		p := vec(row, "point_", "_m")
		want := vec(row, "B_", "_T_per_A")
		got, err := fieldmodels.Polyline{Points: []r3.Vec{start, end}, Turns: 1}.Field(p)
		if err != nil {
			t.Fatal(err)
		}
		// Nearly in line with the wire, B is proportional to the distance from
		// the line, and that is what rounding moves.
		line := r3.Norm(r3.Cross(r3.Unit(r3.Sub(end, start)), r3.Sub(p, start)))
		tol := 8 * 0x1p-53 * (1 + (r3.Norm(p)+r3.Norm(start))/line)
		if d := relative(got, want); d > tol {
			t.Errorf("at %v: off by %.1e (tolerance %.1e)", p, d, tol)
		}
	}
}

// Misakian (2000), reference values in 30 digits.
func TestRectanglePublished(t *testing.T) {
	for _, row := range published.Table(t, "field_rectangular_loop.csv") {
		r := fieldmodels.Rectangle{Width: row.Number("side_x_m"), Height: row.Number("side_y_m"), Turns: 1}
		p := vec(row, "point_", "_m")
		want := vec(row, "B_", "_T_per_A")
		got, err := r.Field(p)
		if err != nil {
			t.Fatal(err)
		}
		x, y := r.Width/2, r.Height/2
		distance := polygonDistance([]r3.Vec{{X: x, Y: -y}, {X: x, Y: y}, {X: -x, Y: y}, {X: -x, Y: -y}})(p)
		// Sides cancel: as many places more as the coil is small at that distance.
		tol := 8 * 0x1p-53 * (1 + r3.Norm(p)/distance + math.Min(40, r3.Norm(p)/x))
		if d := relative(got, want); d > tol {
			t.Errorf("at %v: off by %.1e (tolerance %.1e)", p, d, tol)
		}
	}
}

// The dipole layer of the far form against the sum of the sides, which are
// open polylines and know no far form. A side's field falls as 1/r², their sum
// as 1/r³: it loses the factor distance/extent, on some ten roundings a side.
func TestFarFormAgreesWithSides(t *testing.T) {
	for _, m := range models() {
		var points []r3.Vec
		turns := 0.0
		switch s := m.source.(type) {
		case fieldmodels.Rectangle:
			x, y := s.Width/2, s.Height/2
			points, turns = []r3.Vec{{X: x, Y: -y}, {X: x, Y: y}, {X: -x, Y: y}, {X: -x, Y: -y}}, s.Turns
		case fieldmodels.Polyline:
			points, turns = s.Points, s.Turns
		default:
			continue
		}
		var center r3.Vec
		for _, p := range points {
			center = r3.Add(center, r3.Scale(1/float64(len(points)), p))
		}
		var sides fieldmodels.Sum
		for i := range points {
			sides = append(sides, fieldmodels.Polyline{Points: []r3.Vec{points[i], points[(i+1)%len(points)]}, Turns: turns})
		}
		for _, ratio := range []float64{15, 35, 39, 41, 45, 60, 120, 1000} {
			for _, u := range []r3.Vec{{Z: 1}, {X: 1}, {X: 1, Y: 2, Z: -2}, {X: -3, Y: 1, Z: 0.3}} {
				p := r3.Add(center, r3.Scale(ratio*m.size, r3.Unit(u)))
				got, gotJ, err1 := m.source.Gradient(p)
				want, wantJ, err2 := sides.Gradient(p)
				if err1 != nil || err2 != nil {
					t.Fatal(err1, err2)
				}
				tol := 20 * 0x1p-53 * ratio
				if d := r3.Norm(r3.Sub(got, want)) / r3.Norm(want); d > tol {
					t.Errorf("%s at %g extents: B off by %.1e (tolerance %.1e)", m.name, ratio, d, tol)
				}
				for i := range wantJ {
					for k := range wantJ[i] {
						gotJ[i][k] -= wantJ[i][k]
					}
				}
				if d := norm(gotJ) / norm(wantJ); d > tol {
					t.Errorf("%s at %g extents: J off by %.1e (tolerance %.1e)", m.name, ratio, d, tol)
				}
			}
		}
	}
}

// Jackson, Classical Electrodynamics, section 5.6; 30 digits. B is rounded
// from terms of up to three times its size.
func TestDipolePublished(t *testing.T) {
	for _, row := range published.Table(t, "dipole_field.csv") {
		d := fieldmodels.Dipole{Moment: vec(row, "m_", "_A_m2")}
		got, err := d.Field(vec(row, "r_", "_m"))
		if err != nil {
			t.Fatal(err)
		}
		want := vec(row, "B_", "_T")
		if d := relative(got, want); d > 12*0x1p-53 {
			t.Errorf("%v: off by %.1e", row, d)
		}
	}
	for _, row := range published.Table(t, "dipole_dipole_mutual.csv") {
		n1 := vec(row, "axis1_", "")
		n2 := vec(row, "axis2_", "")
		r12 := vec(row, "r12_", "_m")
		m1, m2 := r3.Scale(row.Number("turns_area1_m2"), n1), r3.Scale(row.Number("turns_area2_m2"), n2)
		b, err := fieldmodels.Dipole{Moment: m1}.Field(r12)
		if err != nil {
			t.Fatal(err)
		}
		back, err := fieldmodels.Dipole{Moment: m2}.Field(r3.Scale(-1, r12))
		if err != nil {
			t.Fatal(err)
		}
		want := row.Number("mutual_inductance_H") * fieldmodels.Mu0 / tableMu0
		scale := r3.Norm(b) * r3.Norm(m2)
		for _, got := range []float64{r3.Dot(b, m2), r3.Dot(back, m1)} { // reciprocity
			if math.Abs(got-want) > 12*0x1p-53*scale {
				t.Errorf("%v: M = %g H, want %g", row, got, want)
			}
		}
	}
}

func TestOnConductor(t *testing.T) {
	loop := fieldmodels.Loop{Radius: 0.1, Turns: 2}
	rect := fieldmodels.Rectangle{Width: 0.2, Height: 0.1, Turns: 1}
	for _, c := range []struct {
		source fieldmodels.Source
		on     r3.Vec // on the wire
		off    r3.Vec // two limits from it
	}{
		{loop, r3.Vec{X: 0.06, Y: 0.08}, r3.Vec{X: 0.1, Z: 2e-10}},
		{loop, r3.Vec{X: 0.1, Z: 0.5e-10}, r3.Vec{Y: 0.1 + 2e-10}},
		{fieldmodels.PlaceAxis(loop, r3.Vec{X: 1}, r3.Vec{X: 3}), r3.Vec{X: 1, Y: 0.1}, r3.Vec{X: 1, Y: 0.1 + 2e-10}},
		{rect, r3.Vec{X: 0.1, Y: 0.01}, r3.Vec{X: 0.1, Y: 0.01, Z: 2e-10}},
		{rect, r3.Vec{X: 0.1, Y: 0.05}, r3.Vec{X: 0.1 + 4e-10, Y: 0.05}},
		{fieldmodels.Dipole{Moment: r3.Vec{Z: 1}}, r3.Vec{}, r3.Vec{X: 1e-12}},
	} {
		if b, err := c.source.Field(c.on); !errors.Is(err, fieldmodels.ErrOnConductor) {
			t.Errorf("%T on the wire: Field = %v, %v", c.source, b, err)
		}
		if b, _, err := c.source.Gradient(c.on); !errors.Is(err, fieldmodels.ErrOnConductor) {
			t.Errorf("%T on the wire: Gradient = %v, %v", c.source, b, err)
		}
		if _, _, err := c.source.Gradient(c.off); err != nil {
			t.Errorf("%T beside the wire: %v", c.source, err)
		}
	}
}
