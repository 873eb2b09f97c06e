package calibration

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels"
	"tonepose/fieldmodels/rigid"
)

// discNodes returns the field points of a pickup as arms from its centre, in the
// sensor frame. scale is the smallest |B|/‖∂B‖ [m] that it meets.
func discNodes(axis r3.Vec, radius, scale float64) []node {
	if radius == 0 {
		return []node{{weight: 1}}
	}
	// Around a dipole r away the scale is about r/4, at d from a long wire d: twice
	// the scale is no farther than the nearest conductor, or a little.
	var nodes []node
	turn := rigid.Between(r3.Vec{Z: 1}, axis)
	for _, n := range fieldmodels.DiscNodes(radius, fieldmodels.DiscDegree(radius, 2*scale)) {
		arm := rigid.Rotate(turn, r3.Vec{X: n.X, Y: n.Y})
		nodes = append(nodes, node{fromR3(arm), n.Weight})
	}
	return nodes
}

// fieldScale is the smallest |B|/‖∂B‖ [m] of any emitter at any station as
// drawn. It is looked for only when a pickup has a radius.
func (p *Problem) fieldScale() float64 {
	scale := math.Inf(1)
	discs := false
	for _, s := range p.Sensors {
		for _, c := range s.Coils {
			discs = discs || c.Radius > 0
		}
	}
	if !discs {
		return scale
	}
	for i := range p.Stations {
		at := p.start(i).Position
		for _, e := range p.Emitters {
			b, j, err := e.Source.Gradient(at)
			if err != nil {
				continue
			}
			sum := 0.0
			for _, row := range j {
				sum += row[0]*row[0] + row[1]*row[1] + row[2]*row[2]
			}
			if sum > 0 {
				scale = min(scale, r3.Norm(b)/math.Sqrt(sum))
			}
		}
	}
	return scale
}
