package prediction_test

import (
	"context"
	"math"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels/rigid"
	"tonepose/solver"
	"tonepose/solver/prediction"
)

// moved returns the problem after the moves.
func moved(p solver.Problem, moves []prediction.Move) solver.Problem {
	out := p
	out.Array.Emitters = nil
	for i, e := range p.Array.Emitters {
		out.Array.Emitters = append(out.Array.Emitters, moves[i].Placed(e))
	}
	return out
}

// A flat ring of untilted loops becomes at least 1.5 times better where it is
// worst, judged by the whole survey, which shares neither grid, orientations nor
// coil model with the search; and it keeps its bounds.
func TestOptimiseFlatRing(t *testing.T) {
	p := ring(8, 0, probe())
	n := noise(p, 2e-12, 1e-5)
	layout := prediction.Layout{ShiftM: r3.Vec{X: 0.03, Y: 0.03, Z: 0.03}, TiltRad: math.Pi / 4, Starts: 2, Grid: 4}
	for range p.Array.Emitters {
		layout.RadiusM = append(layout.RadiusM, 0.04)
	}
	best, err := prediction.Optimise(context.Background(), p, n, layout)
	if err != nil {
		t.Fatal(err)
	}
	after := moved(p, best.Moves)
	worst := func(p solver.Problem) prediction.Summary {
		spots, err := predictor(t, p, n).Survey(context.Background(), prediction.Grid(p.Volume, 7), prediction.Orientations(6))
		if err != nil {
			t.Fatal(err)
		}
		return prediction.Summarise(spots)
	}
	a, b := worst(p), worst(after)
	t.Logf("worst %.3g → %.3g m, rms %.3g → %.3g m, goal %.3g → %.3g m, %d trials", a.Position.Worst, b.Position.Worst, a.Position.RMS, b.Position.RMS, best.Before, best.After, best.Trials)
	if b.Position.Worst > a.Position.Worst/1.5 || b.Blind > 0 {
		t.Errorf("worst deviation %.3g m, before %.3g m; %d blind poses", b.Position.Worst, a.Position.Worst, b.Blind)
	}
	if !(best.After < best.Before) {
		t.Errorf("goal %g → %g", best.Before, best.After)
	}
	for i, m := range best.Moves {
		if math.Abs(m.Shift.X) > 0.03+1e-12 || math.Abs(m.Shift.Y) > 0.03+1e-12 || math.Abs(m.Shift.Z) > 0.03+1e-12 || r3.Norm(m.Tilt) > math.Pi/4+1e-12 {
			t.Errorf("move %d leaves the bounds: %+v", i, m)
		}
		e := after.Array.Emitters[i]
		for k, o := range after.Array.Emitters[:i] {
			if d := r3.Norm(r3.Sub(e.Center, o.Center)); d < 0.08-1e-9 {
				t.Errorf("emitters %d and %d are %g m apart", i, k, d)
			}
		}
		if d := p.Volume.Min.Z - e.Center.Z; d < 0.03-1e-9 && math.Abs(e.Center.X) < 0.15 && math.Abs(e.Center.Y) < 0.15 {
			t.Errorf("emitter %d is %g m below the volume", i, d)
		}
	}
}

// Placed turns the source about its centre: the field at a point that moves along
// is the turned field.
func TestPlaced(t *testing.T) {
	e := ring(8, 0.3, probe()).Array.Emitters[3]
	m := prediction.Move{Shift: r3.Vec{X: 0.01, Y: -0.02, Z: 0.03}, Tilt: r3.Vec{X: 0.2, Y: 0.5, Z: -0.1}}
	q := rigid.Exp(m.Tilt)
	after := m.Placed(e)
	arm := r3.Vec{X: 0.05, Y: 0.08, Z: 0.11}
	b, err := e.Source.Field(r3.Add(e.Center, arm))
	if err != nil {
		t.Fatal(err)
	}
	c, err := after.Source.Field(r3.Add(r3.Add(e.Center, m.Shift), rigid.Rotate(q, arm)))
	if err != nil {
		t.Fatal(err)
	}
	if r3.Norm(r3.Sub(c, rigid.Rotate(q, b))) > 1e-13*r3.Norm(b) {
		t.Errorf("field %v, want %v", c, rigid.Rotate(q, b))
	}
	if r3.Norm(r3.Sub(after.Axis, rigid.Rotate(q, e.Axis))) > 1e-15 || r3.Norm(r3.Sub(after.Center, r3.Add(e.Center, m.Shift))) > 1e-15 {
		t.Errorf("centre %v, axis %v", after.Center, after.Axis)
	}
}

// The search looks only at the goal it was given.
func TestOptimiseMean(t *testing.T) {
	p := ring(5, 0, micro())
	best, err := prediction.Optimise(context.Background(), p, noise(p, 1e-14, 0),
		prediction.Layout{TiltRad: 0.5, Goal: prediction.Mean, Grid: 2, Starts: 1})
	if err != nil {
		t.Fatal(err)
	}
	if !(best.After < best.Before) {
		t.Errorf("%+v", best)
	}
	for _, m := range best.Moves {
		if m.Shift != (r3.Vec{}) {
			t.Errorf("a centre moved by %v without leave", m.Shift)
		}
	}
}
