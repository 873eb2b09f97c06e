package rig

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels"
)

// Closed forms of the field on the axis, for a tilted coil whose axis is
// written with length 5: they see place, axis, turns and size.
//
// Loop: Griffiths, Introduction to Electrodynamics, 4th ed., Ex. 5.6. Solenoid
// sheet, dipole: same book, problem 5.11 and eq. (5.88). Thick winding: the
// sheet's formula integrated over the radius, ∫ dr/√(r²+z²) = asinh(r/|z|).
// Rectangle: Biot–Savart of four straight sides, each
// μ0 I/(4πd)·(sin θ2 − sin θ1), Griffiths eq. (5.37).
func TestModelsOnTheirAxis(t *testing.T) {
	center, axis := r3.Vec{X: 0.1, Y: -0.05, Z: 0.02}, r3.Vec{X: 3, Z: 4}
	n := r3.Scale(0.2, axis)
	const z, mu0 = 0.07, fieldmodels.Mu0
	const head = "center_m: [0.1, -0.05, 0.02], axis: [3, 0, 4]"
	side := func(half, other float64) float64 { // both sides of length 2·half
		d := math.Hypot(other, z)
		return 2 * mu0 / (4 * math.Pi * d) * 2 * half / math.Sqrt(half*half+d*d) * other / d
	}
	sheet := func(a, l float64) float64 { // per turn and metre
		return mu0 / 2 * ((z+l/2)/math.Hypot(a, z+l/2) - (z-l/2)/math.Hypot(a, z-l/2))
	}
	asinhs := func(a, b, s float64) float64 { return s * (math.Asinh(b/math.Abs(s)) - math.Asinh(a/math.Abs(s))) }
	const a, b, l = 0.02, 0.03, 0.05
	for model, want := range map[string]float64{
		"type: loop, radius_m: 0.04, turns: 12.5, " + head:                12.5 * mu0 / 2 * 0.04 * 0.04 / math.Pow(0.04*0.04+z*z, 1.5),
		"type: sheet, radius_m: 0.02, length_m: 0.05, turns: 60, " + head: 60 / l * sheet(0.02, l),
		"type: winding, inner_radius_m: 0.02, outer_radius_m: 0.03, length_m: 0.05, turns: 90, " + head: 90 / (l * (b - a)) * mu0 / 2 *
			(asinhs(a, b, z+l/2) - asinhs(a, b, z-l/2)),
		"type: rectangle, width_m: 0.08, height_m: 0.06, turns: 5, width_axis: [7, 1, 0], " + head:                                          5 * (side(0.04, 0.03) + side(0.03, 0.04)),
		"type: dipole, moment_m2: [0.03, 0, 0.04], center_m: [0.1, -0.05, 0.02]":                                                            mu0 / (2 * math.Pi) * 0.05 / (z * z * z),
		"type: sum, parts: [{type: loop, radius_m: 0.04, turns: 10, " + head + "}, {type: loop, radius_m: 0.04, turns: 2.5, " + head + "}]": 12.5 * mu0 / 2 * 0.04 * 0.04 / math.Pow(0.04*0.04+z*z, 1.5),
		// The rectangle 0.08 × 0.06 again, along u = (0, 1, 0) and v = u × n.
		"type: polyline, turns: 5, points_m: " + corners(center, n, 0.04, 0.03): 5 * (side(0.04, 0.03) + side(0.03, 0.04)),
	} {
		rg := parse(t, strings.Replace(bench, "{type: sum, parts: [{type: dipole, center_m: [0, 0, 0], moment_m2: [0, 0, 1]}]}", "{"+model+"}", 1))
		array, err := rg.Array()
		if err != nil {
			t.Fatal(err)
		}
		e := array.Emitters[4]
		got, err := e.Source.Field(r3.Add(center, r3.Scale(z, n)))
		if err != nil {
			t.Fatal(err)
		}
		// Rounding: places of 0.1 m have 1e-17 m, 1e-15 of the size; the
		// fields vary no faster than 1/z³.
		if d := r3.Norm(r3.Sub(got, r3.Scale(want, n))); d > 1e-13*want {
			t.Errorf("%s:\ngot %v, want %v", model, got, r3.Scale(want, n))
		}
		if d := r3.Norm(r3.Sub(e.Axis, n)); d > 1e-14 {
			t.Errorf("%s: axis %v", model, e.Axis)
		}
		if d := r3.Norm(r3.Sub(e.Center, center)); d > 1e-16 && !strings.Contains(model, "polyline") || d > 1e-15 {
			t.Errorf("%s: centre %v", model, e.Center)
		}
	}
}

// corners runs right-handed round n, half sides p along u and q along n × u.
func corners(c, n r3.Vec, p, q float64) string {
	u := r3.Vec{Y: 1}
	v := r3.Cross(n, u)
	var points []string
	for _, s := range [][2]float64{{1, -1}, {1, 1}, {-1, 1}, {-1, -1}} {
		x := r3.Add(c, r3.Add(r3.Scale(s[0]*p, u), r3.Scale(s[1]*q, v)))
		points = append(points, fmt.Sprintf("[%v, %v, %v]", x.X, x.Y, x.Z))
	}
	return "[" + strings.Join(points, ", ") + "]"
}

// A rectangle's width runs along width_axis: its field off the axis equals that
// of the four wires at its corners.
func TestRectangleWidthAxis(t *testing.T) {
	n := r3.Vec{X: 0.6, Z: 0.8}
	models := []string{
		"type: rectangle, width_m: 0.08, height_m: 0.02, turns: 5, center_m: [0, 0, 0], axis: [3, 0, 4], width_axis: [1, 9, 0]",
		"type: polyline, turns: 5, points_m: ",
	}
	// The part of (1, 9, 0) perpendicular to n is (1, 9, 0) − 0.6·n.
	u := r3.Unit(r3.Sub(r3.Vec{X: 1, Y: 9}, r3.Scale(0.6, n)))
	v := r3.Cross(n, u)
	var points []string
	for _, s := range [][2]float64{{1, -1}, {1, 1}, {-1, 1}, {-1, -1}} {
		x := r3.Add(r3.Scale(s[0]*0.04, u), r3.Scale(s[1]*0.01, v))
		points = append(points, fmt.Sprintf("[%v, %v, %v]", x.X, x.Y, x.Z))
	}
	models[1] += "[" + strings.Join(points, ", ") + "]"
	var fields []r3.Vec
	for _, model := range models {
		rg := parse(t, strings.Replace(bench, "{type: sum, parts: [{type: dipole, center_m: [0, 0, 0], moment_m2: [0, 0, 1]}]}", "{"+model+"}", 1))
		array, err := rg.Array()
		if err != nil {
			t.Fatal(err)
		}
		b, err := array.Emitters[4].Source.Field(r3.Vec{X: 0.05, Y: 0.03, Z: 0.06})
		if err != nil {
			t.Fatal(err)
		}
		fields = append(fields, b)
	}
	if d := r3.Norm(r3.Sub(fields[0], fields[1])); d > 1e-13*r3.Norm(fields[0]) {
		t.Errorf("rectangle %v, its wires %v", fields[0], fields[1])
	}
}

func TestSensorAndVolume(t *testing.T) {
	rg := parse(t, strings.Replace(bench, "axis: [0, 0, 1], area_turns_m2: 8e-5", "axis: [0, -3e200, 4e200], area_turns_m2: 8e-5", 1))
	s := rg.Sensor(1)
	if c := s.Coils[0]; s.Name != "needle" || math.Abs(c.Axis.Y+0.6)+math.Abs(c.Axis.Z-0.8) > 3e-16 || c.AreaTurns != 8e-5 || c.Radius != 0 {
		t.Errorf("sensor %+v", s)
	}
	if v := rg.Volume(); v.Min != (r3.Vec{X: -0.2, Y: -0.2, Z: 0.03}) || v.Max != (r3.Vec{X: 0.2, Y: 0.2, Z: 0.4}) {
		t.Errorf("volume %+v", v)
	}
	if a, err := rg.Array(); err != nil || a.Covariance != nil {
		t.Errorf("covariance %v, %v", a.Covariance, err)
	}
}
