package mutual

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels"
)

// Block is how many sources are coupled with a pickup at a time.
const Block = fieldmodels.LoopSetSize

// Sources are the sources of an array made ready to be coupled with a pickup block by
// block: loops side by side, others one after the other. It is immutable.
type Sources struct {
	all  []fieldmodels.Source
	sets []*fieldmodels.LoopSet // of the loops of a block, in their places; nil: not worth it
}

// NewSources makes sources ready.
func NewSources(all []fieldmodels.Source) *Sources {
	s := &Sources{all: all, sets: make([]*fieldmodels.LoopSet, (len(all)+Block-1)/Block)}
	for b := range s.sets {
		var loops [Block]*fieldmodels.PlacedLoop
		count := 0
		for i, src := range s.block(b) {
			if l, ok := src.(*fieldmodels.PlacedLoop); ok {
				loops[i] = l
				count++
			}
		}
		if count > 1 {
			s.sets[b] = fieldmodels.NewLoopSet(loops[:])
		}
	}
	return s
}

func (s *Sources) block(b int) []fieldmodels.Source {
	return s.all[b*Block : min((b+1)*Block, len(s.all))]
}

// Couplings are those of a block of sources with one pickup: the numbers of a Coupling
// by source.
type Couplings = fieldmodels.LoopFlux

// At is the coupling of the source in a place of a block.
func At(c *Couplings, i int) Coupling {
	return Coupling{c.Value[i],
		r3.Vec{X: c.Position[0][i], Y: c.Position[1][i], Z: c.Position[2][i]},
		r3.Vec{X: c.Rotation[0][i], Y: c.Rotation[1][i], Z: c.Rotation[2][i]}}
}

func put(c *Couplings, i int, k *Coupling) {
	c.Value[i] = k.M
	c.Position[0][i], c.Position[1][i], c.Position[2][i] = k.Position.X, k.Position.Y, k.Position.Z
	c.Rotation[0][i], c.Rotation[1][i], c.Rotation[2][i] = k.Rotation.X, k.Rotation.Y, k.Rotation.Z
}

// Sampled is a placed pickup with the points at which it takes the fields of a block
// of sources.
type Sampled struct {
	Placed
	rule   choice
	count  int // of the points; 0: not chosen yet
	points [maxPoints]fieldmodels.FluxPoint
}

// maxPoints serve a disc of discDegree 15, which a wire at six radii needs.
const maxPoints = 64

// Place carries the pickup to where the sensor is.
func (p *Sampled) Place(pickup *Pickup, f *Frame) {
	pickup.Place(&p.Placed, f)
	p.count = 0
}

// besideWire is the distance to a wire, in radii of the loop, from which a set has its
// field as exact as the loop itself to some 1e-14.
const besideWire = 0.05

// CoupleBlock computes the couplings with a block of sources, as Couple does with each,
// or CoupleFast. Places without a source are left with what is no coupling. Errors
// are the sources' own, with their index. It does not allocate.
func (p *Sampled) CoupleBlock(dst *Couplings, s *Sources, block int, fast bool) error {
	sources, set := s.block(block), s.sets[block]
	alone := [Block]bool{} // places that the set does not serve
	if set != nil {
		points := p.around(sources, &alone, fast)
		pickup := fieldmodels.FluxPickup{Moment: p.Moment, Axis: p.Axis}
		set.Flux(dst, &pickup, points)
	}
	for i, src := range sources {
		if set != nil && !alone[i] {
			continue
		}
		var k Coupling
		if err := p.couple(&k, src, fast); err != nil {
			return &SourceError{block*Block + i, err}
		}
		put(dst, i, &k)
	}
	return nil
}

// SourceError is the error of one of several sources.
type SourceError struct {
	Source int // index
	Err    error
}

func (e *SourceError) Error() string { return fmt.Sprintf("source %d: %v", e.Source, e.Err) }

// Unwrap is the source's own error.
func (e *SourceError) Unwrap() error { return e.Err }

// around chooses the points of the pickup's mean that serve all loops of a block but
// those nearby, which it marks, together with what is no loop.
func (p *Sampled) around(sources []fieldmodels.Source, alone *[Block]bool, fast bool) []fieldmodels.FluxPoint {
	center := r3.Add(p.origin, p.Arm)
	nearest := math.Inf(1) // to a wire, of those served together
	for i, src := range sources {
		l, ok := src.(*fieldmodels.PlacedLoop)
		if !ok {
			alone[i] = true
			continue
		}
		// A wire is not nearer than this.
		clear := math.Sqrt(r3.Norm2(r3.Sub(center, l.Center))) - l.Loop.Radius
		if alone[i] = !(clear > max(besideWire*l.Loop.Radius, midRule.beyond*p.radius)); !alone[i] {
			nearest = min(nearest, clear)
		}
	}
	rule := choice{}
	switch {
	case p.radius == 0 || math.IsInf(nearest, 1):
	case fast && nearest >= farRule.beyond*p.radius:
		rule.axial = &farRule
	case fast:
		rule.axial = &midRule
	default:
		rule.degree = discDegree(1, nearest/p.radius, exactly)
	}
	if p.count == 0 || p.rule != rule {
		p.rule = rule
		p.choose(center)
	}
	return p.points[:p.count]
}

// choice is how the mean over a pickup's disc is taken: at points of its axis, of the
// disc, or at its centre alone.
type choice struct {
	axial  *axialRule
	degree int
}

// choose lays out the points.
func (p *Sampled) choose(center r3.Vec) {
	p.count = 0
	add := func(off r3.Vec, value, slope, deriv float64) {
		p.points[p.count] = fieldmodels.FluxPoint{At: r3.Add(center, off), Arm: r3.Add(p.Arm, off), Value: value, Slope: slope, Deriv: deriv}
		p.count++
	}
	switch {
	case p.rule.axial != nil:
		r := p.rule.axial
		for i, t := range r.at {
			add(r3.Scale(t*p.radius, p.Axis), r.value[i], r.slope[i]*p.radius, r.deriv[i])
		}
	case p.rule.degree > 0:
		for _, n := range unitDisc[p.rule.degree/2] {
			add(r3.Add(r3.Scale(n.X*p.radius, p.across[0]), r3.Scale(n.Y*p.radius, p.across[1])), n.Weight, 0, n.Weight)
		}
	default:
		add(r3.Vec{}, 1, 0, 1)
	}
}
