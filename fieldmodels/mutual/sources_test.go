package mutual

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels"
	"tonepose/fieldmodels/rigid"
)

// Blocks of sources against each source by itself: loops near and far, others among
// them, coils with and without a radius. Both means are within their tolerance of the
// true one: 1e-11 of the field for the exact one; 2e-7, and 1e-4 for derivatives, for
// the fast one, which has a point more where a neighbour needs it.
func TestBlocksMatchSingleSources(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	vector := func(size float64) r3.Vec {
		return r3.Vec{X: size * rng.NormFloat64(), Y: size * rng.NormFloat64(), Z: size * rng.NormFloat64()}
	}
	for trial := range 200 {
		var all []fieldmodels.Source
		for i := range 1 + rng.IntN(20) {
			pose := rigid.Pose{Position: vector(0.2), Rotation: randomQuat(rng)}
			switch {
			case trial%3 == 0 && i%4 == 1:
				all = append(all, fieldmodels.Place(fieldmodels.Dipole{Moment: vector(0.1)}, pose))
			case trial%3 == 1 && i%5 == 2:
				all = append(all, fieldmodels.Place(fieldmodels.Rectangle{Width: 0.1, Height: 0.07, Turns: 12}, pose))
			default:
				all = append(all, fieldmodels.Place(fieldmodels.Loop{Radius: 0.02 + 0.04*rng.Float64(), Turns: 30}, pose))
			}
		}
		sources := NewSources(all)
		coil := Coil{Center: vector(0.01), Axis: r3.Unit(vector(1)), AreaTurns: 0.004}
		if trial%4 != 0 {
			coil.Radius = 0.004
		}
		pickup, frame := NewPickup(coil), NewFrame(rigid.Pose{Position: vector(0.2), Rotation: randomQuat(rng)})
		var p Sampled
		for _, fast := range []bool{false, true} {
			p.Place(&pickup, &frame)
			value, slope := 2e-11, 2e-11 // each of the two is off by its tolerance
			if fast && coil.Radius > 0 {
				value, slope = 4e-7, 2e-4
			}
			var c Couplings
			for b := range sources.sets {
				if err := p.CoupleBlock(&c, sources, b, fast); err != nil {
					t.Fatal(err)
				}
				for l, src := range sources.block(b) {
					var want Coupling
					if err := p.couple(&want, src, fast); err != nil {
						t.Fatal(err)
					}
					center := r3.Add(p.origin, p.Arm)
					field, j, err := src.Gradient(center)
					if err != nil {
						t.Fatal(err)
					}
					got, size := At(&c, l), coil.AreaTurns*r3.Norm(field)
					steep := coil.AreaTurns * max(j.Norm(), r3.Norm(field)/0.02)
					if d := math.Abs(got.M - want.M); !(d <= value*max(size, steep*coil.Radius)) {
						t.Errorf("trial %d, fast %v, source %d: M %g, want %g: off by %.1g of the field", trial, fast, b*Block+l, got.M, want.M, d/size)
					}
					if d := r3.Norm(r3.Sub(got.Position, want.Position)); !(d <= slope*steep) {
						t.Errorf("trial %d, fast %v, source %d: by position %v, want %v: off by %.1g of the gradient", trial, fast, b*Block+l, got.Position, want.Position, d/steep)
					}
					if d := r3.Norm(r3.Sub(got.Rotation, want.Rotation)); !(d <= slope*(size+0.05*steep)) {
						t.Errorf("trial %d, fast %v, source %d: by rotation %v, want %v: off by %.1g", trial, fast, b*Block+l, got.Rotation, want.Rotation, d/size)
					}
				}
			}
		}
	}
}

// On a wire the error names the source.
func TestBlockOnConductor(t *testing.T) {
	loop := func(x float64) fieldmodels.Source {
		return fieldmodels.Place(fieldmodels.Loop{Radius: 0.05, Turns: 1}, rigid.Pose{Position: r3.Vec{X: x}, Rotation: rigid.Identity().Rotation})
	}
	sources := NewSources([]fieldmodels.Source{loop(1), loop(0), loop(2)})
	pickup, frame := NewPickup(Coil{Axis: r3.Vec{Z: 1}, AreaTurns: 1}), NewFrame(rigid.Pose{Position: r3.Vec{X: 0.05}, Rotation: rigid.Identity().Rotation})
	var p Sampled
	p.Place(&pickup, &frame)
	var c Couplings
	err := p.CoupleBlock(&c, sources, 0, false)
	of := new(SourceError)
	if !errors.As(err, &of) || of.Source != 1 || !errors.Is(err, fieldmodels.ErrOnConductor) {
		t.Errorf("error %v, want that of source 1 on its conductor", err)
	}
}
