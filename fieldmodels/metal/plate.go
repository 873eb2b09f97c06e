package metal

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels"
	"tonepose/fieldmodels/mutual"
)

// Plate is metal without end beneath a plane, with all coils on the other side.
//
// In air a field is −∇φ. Of the part of φ that varies along the plane with wave number λ,
// the plate gives back the mirrored part times R(λ), see Reflection. With R as a sum of
// exponentials Σ c_i·e^{−λ·s_i}, what it adds at a point is Σ −c_i times the mirror image
// of the field in air at the mirror point s_i deeper: so a pickup couples with the
// emitters as its own mirror images do. A perfect conductor is R = −1, one image.
//
// Source: Wait, Geo-Electromagnetism (1982), the reflection integral; Thomson and Weaver,
// J. Geophys. Res. 80 (1975), for images at complex depths, in whose place real ones
// with complex weights stand here.
type Plate struct {
	point, normal r3.Vec
	mirror        [3][3]float64
	sources       *mutual.Sources
	tones         int
	depth         []float64      // s_i [m]
	weight        [][]complex128 // −c_i of each depth, by emitter
}

// NewPlate makes a plate whose surface contains point, with the normal pointing to the
// coils; infinite thickness [m] fills half of space. Its added fields are exact to 3e-4 of
// those of a perfect conductor, rates to 1e-4 of the field; one too thin or too permeable for that is refused.
func NewPlate(point, normal r3.Vec, thickness float64, material Material, emitters []fieldmodels.Emitter, hz []float64) (*Plate, error) {
	if !(r3.Norm(normal) > 0) || math.IsInf(r3.Norm(normal), 0) {
		return nil, fmt.Errorf("metal: normal %v of a plate: must not be zero", normal)
	}
	if !(thickness > 0) {
		return nil, fmt.Errorf("metal: thickness %g m of a plate: must be positive", thickness)
	}
	if err := material.check(); err != nil {
		return nil, err
	}
	if err := checkTones(emitters, hz); err != nil {
		return nil, err
	}
	p := &Plate{point: point, normal: r3.Unit(normal), tones: len(emitters)}
	n := [3]float64{p.normal.X, p.normal.Y, p.normal.Z}
	for i := range 3 {
		for j := range 3 {
			p.mirror[i][j] = -2 * n[i] * n[j]
		}
		p.mirror[i][i]++
	}
	var sources []fieldmodels.Source
	for _, e := range emitters {
		if !(p.height(e.Center) > 0) {
			return nil, fmt.Errorf("emitter %s: %w", e.Name, ErrInside)
		}
		sources = append(sources, e.Source)
	}
	p.sources = mutual.NewSources(sources)
	var misfit float64
	if p.depth, p.weight, misfit = images(thickness, material, hz); misfit > mostMisfit {
		return nil, fmt.Errorf("metal: images miss what a plate of %g m adds by %.2g of a perfect conductor's: make it thicker or less permeable", thickness, misfit)
	}
	return p, nil
}

// mostMisfit is far below what a pose resolves of a plate's field.
const mostMisfit = 3e-4

// height of a point above the surface.
func (p *Plate) height(at r3.Vec) float64 { return r3.Dot(r3.Sub(at, p.point), p.normal) }

// reflect is a direction's mirror image.
func (p *Plate) reflect(v r3.Vec) r3.Vec {
	return r3.Sub(v, r3.Scale(2*r3.Dot(v, p.normal), p.normal))
}

// Add implements Body. A mirror image turns the other way.
func (p *Plate) Add(m, dm []complex128, pickup *mutual.Pickup, f *mutual.Frame, velocity, spin r3.Vec) error {
	var placed mutual.Sampled
	placed.Place(pickup, f)
	if !(p.height(r3.Add(f.Origin, placed.Arm)) > 0) {
		return ErrInside
	}
	var image mutual.Frame
	for i := range 3 {
		for j := range 3 {
			image.R[i][j] = p.mirror[i][0]*f.R[0][j] + p.mirror[i][1]*f.R[1][j] + p.mirror[i][2]*f.R[2][j]
		}
	}
	origin := r3.Sub(f.Origin, r3.Scale(2*p.height(f.Origin), p.normal))
	velocity, spin = p.reflect(velocity), r3.Scale(-1, p.reflect(spin))
	var k mutual.Couplings
	for i, depth := range p.depth {
		image.Origin = r3.Sub(origin, r3.Scale(depth, p.normal))
		placed.Place(pickup, &image)
		for first := 0; first < p.tones; first += mutual.Block {
			if err := placed.CoupleBlock(&k, p.sources, first/mutual.Block, true); err != nil {
				return err
			}
			for e := first; e < min(first+mutual.Block, p.tones); e++ {
				one := mutual.At(&k, e-first)
				m[e] += p.weight[i][e] * complex(one.M, 0)
				dm[e] += p.weight[i][e] * complex(one.Rate(velocity, spin), 0)
			}
		}
	}
	return nil
}
