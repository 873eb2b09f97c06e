package mutual

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels"
	"tonepose/fieldmodels/rigid"
	"tonepose/testdata/published"
)

// coupling of one source with one coil in the rig frame.
func coupling(t testing.TB, src fieldmodels.Source, coil Coil) float64 {
	t.Helper()
	m, err := New(fieldmodels.Array{Emitters: []fieldmodels.Emitter{{Source: src}}}, Sensor{Coils: []Coil{coil}})
	if err != nil {
		t.Fatal(err)
	}
	var value [1]float64
	if err := m.Evaluate(rigid.Identity(), value[:], nil); err != nil {
		t.Fatal(err)
	}
	return value[0]
}

// Two dipoles, each as emitter and as pickup. B is rounded from terms of up to
// three times its size.
func TestDipolesPublished(t *testing.T) {
	for _, row := range published.Table(t, "dipole_dipole_mutual.csv") {
		n1, n2, r12 := published3(row, "axis1_", ""), published3(row, "axis2_", ""), published3(row, "r12_", "_m")
		a1, a2 := row.Number("turns_area1_m2"), row.Number("turns_area2_m2")
		want := row.Number("mutual_inductance_H") * fieldmodels.Mu0 / tableMu0
		scale := 2 * fieldmodels.Mu0 / (4 * math.Pi) * a1 * a2 / math.Pow(r3.Norm(r12), 3)
		for _, got := range []float64{
			coupling(t, fieldmodels.Dipole{Moment: r3.Scale(a1, n1)}, Coil{Center: r12, Axis: r3.Unit(n2), AreaTurns: a2 * r3.Norm(n2)}),
			coupling(t, fieldmodels.Dipole{Moment: r3.Scale(a2, n2)}, Coil{Center: r3.Scale(-1, r12), Axis: r3.Unit(n1), AreaTurns: a1 * r3.Norm(n1)}),
		} {
			if math.Abs(got-want) > 16*0x1p-53*scale {
				t.Errorf("%v: M = %g H, want %g", row, got, want)
			}
		}
	}
}

// Circles in any position: the one is a loop, the other a coil of one turn whose
// disc lies beyond 2.2 radii of the wire, where Couple promises 1e-9 of the
// field from 6 radii on and discDegree's 1e-7 nearer; the field may be larger than
// its part along the coil's axis.
func TestCirclesPublished(t *testing.T) {
	checked := 0
	check := func(row published.Row, center, axis r3.Vec) {
		r1, r2 := row.Number("radius1_m"), row.Number("radius2_m")
		want := row.Number("mutual_inductance_H") * fieldmodels.Mu0 / tableMu0
		for _, swap := range []bool{false, true} {
			at := rigid.Pose{Position: center, Rotation: rigid.Between(r3.Vec{Z: 1}, axis)}
			loop, disc := r1, r2
			if swap {
				at, loop, disc = at.Inverse(), r2, r1
			}
			distance := math.Hypot(math.Hypot(at.Position.X, at.Position.Y)-loop, at.Position.Z)
			if distance < 2.2*disc {
				continue
			}
			checked++
			src := fieldmodels.PlaceAxis(fieldmodels.Loop{Radius: loop, Turns: 1}, r3.Vec{}, r3.Vec{Z: 1})
			b, err := src.Field(at.Position)
			if err != nil {
				t.Fatal(err)
			}
			area := math.Pi * disc * disc
			got := coupling(t, src, Coil{Center: at.Position, Axis: r3.Unit(at.Rotate(r3.Vec{Z: 1})), AreaTurns: area, Radius: disc})
			tol := 1e-7
			if distance > 3.5*disc {
				tol = 1e-11
			}
			if math.Abs(got-want) > tol*area*r3.Norm(b) {
				t.Errorf("%v (swapped: %v): M = %.12g H, want %.12g within %.0e", row, swap, got, want, tol)
			}
		}
	}
	for _, row := range published.Table(t, "mutual_coaxial_circles.csv") {
		check(row, r3.Vec{Z: row.Number("axial_distance_m")}, r3.Vec{Z: 1})
	}
	for _, row := range published.Table(t, "mutual_misaligned_circles.csv") {
		check(row, published3(row, "centre2_", "_m"), published3(row, "normal2_", ""))
	}
	if checked < 8 {
		t.Errorf("only %d pairs lie far enough apart", checked)
	}
}

// The points of a disc add up to the coupling with a field that is a polynomial:
// that of a loop 50 radii away, all but.
func TestPoints(t *testing.T) {
	src := fieldmodels.PlaceAxis(fieldmodels.Loop{Radius: 0.035, Turns: 40}, r3.Vec{}, r3.Vec{Z: 1})
	pose := rigid.Pose{Position: r3.Vec{X: 0.1, Z: 0.17}, Rotation: rigid.Exp(r3.Vec{X: 0.5, Y: 1, Z: -0.3})}
	for _, radius := range []float64{0, 0.004} {
		pickup, frame := NewPickup(Coil{Center: r3.Vec{X: 0.003}, Axis: r3.Vec{Y: 1}, AreaTurns: 0.004, Radius: radius}), NewFrame(pose)
		var p Placed
		pickup.Place(&p, &frame)
		var c Coupling
		if err := p.Couple(&c, src); err != nil {
			t.Fatal(err)
		}
		sum := 0.0
		for _, point := range p.Points(5) {
			b, err := src.Field(point.At)
			if err != nil {
				t.Fatal(err)
			}
			sum += r3.Dot(point.Along, b)
		}
		// Degree 6 and more is left out: 5.7·(1/40)⁶ = 1.4e-9.
		if math.Abs(sum-c.M) > 1e-8*math.Abs(c.M) {
			t.Errorf("radius %g: points %g H, coupling %g H", radius, sum, c.M)
		}
	}
}
