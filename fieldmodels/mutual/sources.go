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

// Sampled is a placed pickup with the points of its axis at which it takes the fields of
// a block of sources.
type Sampled struct {
	Placed
	rule   *axialRule // of the points; nil: not chosen yet
	points [maxAxial]fieldmodels.FluxPoint
}

// Place carries the pickup to where the sensor is.
func (p *Sampled) Place(pickup *Pickup, f *Frame) {
	pickup.Place(&p.Placed, f)
	p.rule = nil
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
		p.together(dst, set, sources, &alone, fast)
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

// together computes the couplings with all loops of a block but those nearby, which it
// marks, together with what is no loop.
func (p *Sampled) together(dst *Couplings, set *fieldmodels.LoopSet, sources []fieldmodels.Source, alone *[Block]bool, fast bool) {
	center := r3.Add(p.origin, p.Arm)
	served, far := false, true
	nearest := math.Inf(1) // to a wire, of those served together
	for i, src := range sources {
		l, ok := src.(*fieldmodels.PlacedLoop)
		if !ok {
			alone[i] = true
			continue
		}
		// A wire is not nearer than the loop's centre less its radius.
		square, wire := r3.Norm2(r3.Sub(center, l.Center)), l.Loop.Radius
		near := wire + max(besideWire*wire, midRule.beyond*p.radius)
		if alone[i] = !(square > near*near); alone[i] {
			continue
		}
		served = true
		if !fast {
			nearest = min(nearest, math.Sqrt(square)-wire)
		} else if beyond := wire + farRule.beyond*p.radius; square < beyond*beyond {
			far = false
		}
	}
	pickup := fieldmodels.FluxPickup{Moment: p.Moment, Axis: p.Axis}
	switch {
	case !served:
	case p.radius == 0:
		set.Flux(dst, &pickup, p.axial(center, &pointRule))
	case fast && far:
		set.Flux(dst, &pickup, p.axial(center, &farRule))
	case fast:
		set.Flux(dst, &pickup, p.axial(center, &midRule))
	default:
		var room [maxPoints]fieldmodels.FluxPoint
		set.Flux(dst, &pickup, p.disc(&room, center, discDegree(1, nearest/p.radius, exactly)))
	}
}

// axial are the points of a rule about the centre of the pickup.
func (p *Sampled) axial(center r3.Vec, rule *axialRule) []fieldmodels.FluxPoint {
	points := p.points[:len(rule.nodes)]
	if p.rule == rule {
		return points
	}
	p.rule = rule
	for i := range points {
		n := &rule.nodes[i]
		off := r3.Scale(n.at*p.radius, p.Axis)
		points[i] = fieldmodels.FluxPoint{At: r3.Add(center, off), Arm: r3.Add(p.Arm, off), Value: n.value, Slope: n.slope * p.radius, Deriv: n.deriv}
	}
	return points
}

// maxPoints serve a disc of discDegree 15, which a wire at six radii needs.
const maxPoints = 64

// disc are the points of a cubature over the pickup's disc.
func (p *Sampled) disc(room *[maxPoints]fieldmodels.FluxPoint, center r3.Vec, degree int) []fieldmodels.FluxPoint {
	nodes := unitDisc[degree/2]
	points := room[:len(nodes)]
	for i, n := range nodes {
		off := r3.Add(r3.Scale(n.X*p.radius, p.across[0]), r3.Scale(n.Y*p.radius, p.across[1]))
		points[i] = fieldmodels.FluxPoint{At: r3.Add(center, off), Arm: r3.Add(p.Arm, off), Value: n.Weight, Deriv: n.Weight}
	}
	return points
}

// SourceError is the error of one of several sources.
type SourceError struct {
	Source int // index
	Err    error
}

func (e *SourceError) Error() string { return fmt.Sprintf("source %d: %v", e.Source, e.Err) }

// Unwrap is the source's own error.
func (e *SourceError) Unwrap() error { return e.Err }
