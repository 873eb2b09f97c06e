package mutual

import (
	"math"
	"strings"
	"testing"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"
)

// Coils on one line are recognised however the line is written; coils that show
// the turn are not.
func TestBlindAxis(t *testing.T) {
	// 1, 2, 3 over √14, as a rig file has it.
	written := r3.Vec{X: 0.267261, Y: 0.534522, Z: 0.801784}
	round := func(v r3.Vec, unit float64) r3.Vec {
		return r3.Vec{X: math.Round(v.X/unit) * unit, Y: math.Round(v.Y/unit) * unit, Z: math.Round(v.Z/unit) * unit}
	}
	exact := r3.Unit(r3.Vec{X: 1, Y: 2, Z: 3})
	from := r3.Vec{X: 0.01, Y: -0.02, Z: 0.005}
	on := func(d float64) r3.Vec { return r3.Add(from, r3.Scale(d, exact)) }
	tilted := r3.Unit(r3.Add(exact, r3.Scale(1e-3, r3.Unit(r3.Cross(exact, r3.Vec{X: 1})))))
	for name, test := range map[string]struct {
		coils []Coil
		blind bool
	}{
		"one coil":                {[]Coil{{Axis: r3.Vec{Y: 1}}}, true},
		"one off the origin":      {[]Coil{{Center: on(0.1), Axis: exact}}, true},
		"axes of six digits":      {[]Coil{{Center: on(-0.01), Axis: written}, {Center: on(0.01), Axis: written}}, true},
		"places to a micrometre":  {[]Coil{{Center: round(on(-0.01), 1e-6), Axis: written}, {Center: round(on(0.01), 1e-6), Axis: written}}, true},
		"opposed, not unit":       {[]Coil{{Center: on(0), Axis: r3.Scale(3, exact)}, {Center: on(0.02), Axis: r3.Scale(-0.2, exact)}}, true},
		"one place":               {[]Coil{{Center: from, Axis: exact}, {Center: from, Axis: exact}}, true},
		"side by side":            {[]Coil{{Center: from, Axis: exact}, {Center: r3.Add(from, r3.Vec{X: 0.001}), Axis: exact}}, false},
		"tilted by a milliradian": {[]Coil{{Center: on(-0.01), Axis: exact}, {Center: on(0.01), Axis: tilted}}, false},
		"crossed":                 {[]Coil{{Axis: r3.Vec{X: 1}}, {Axis: r3.Vec{Y: 1}}}, false},
		"along, off the line":     {[]Coil{{Center: on(0), Axis: exact}, {Center: on(0.02), Axis: exact}, {Center: r3.Add(on(0.01), r3.Vec{X: 1e-5}), Axis: exact}}, false},
		"none":                    {nil, false},
	} {
		s := Sensor{Coils: test.coils}
		axis, blind := s.BlindAxis()
		dof := map[bool]int{true: 5, false: 6}[test.blind]
		if blind != test.blind || s.DegreesOfFreedom() != dof {
			t.Errorf("%s: blind %v, %d degrees of freedom: want %v, %d", name, blind, s.DegreesOfFreedom(), test.blind, dof)
		}
		if blind && (math.Abs(r3.Norm(axis)-1) > 1e-15 || r3.Dot(axis, test.coils[0].Axis) <= 0) {
			t.Errorf("%s: axis %v of a first coil along %v", name, axis, test.coils[0].Axis)
		}
	}
}

func TestValidate(t *testing.T) {
	good := Coil{Axis: r3.Vec{X: 1}, AreaTurns: 1}
	for words, change := range map[string]func(s *Sensor){
		"no coils":             func(s *Sensor) { s.Coils = nil },
		"must be finite":       func(s *Sensor) { s.Coils[0].Center.Y = math.NaN() },
		"must be a unit":       func(s *Sensor) { s.Coils[0].Axis.X = 2 },
		"must be positive":     func(s *Sensor) { s.Coils[0].AreaTurns = 0 },
		"must not be negative": func(s *Sensor) { s.Coils[0].Radius = -1 },
		"need 7×7":             func(s *Sensor) { s.Covariance = mat.NewSymDense(6, nil) },
	} {
		s := Sensor{Name: "probe", Coils: []Coil{good}, Covariance: mat.NewSymDense(7, nil)}
		if err := s.Validate(); err != nil {
			t.Fatal(err)
		}
		change(&s)
		if err := s.Validate(); err == nil || !strings.Contains(err.Error(), words) || !strings.Contains(err.Error(), `"probe"`) {
			t.Errorf("%s: %v", words, err)
		}
	}
}
