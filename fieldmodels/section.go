package fieldmodels

import (
	"sync/atomic"

	"tonepose/fieldmodels/variant"
)

// section is a part of a coil's section, a rectangle filled evenly with turns about one
// axis. Its field is that of loops at the points of a product of two Gauss–Legendre
// rules, several at a time where the processor has vectors. The assembly reads it by the
// fields' order.
type section struct {
	middle, half float64 // the middle's radius, half the thickness [m]
	length       float64 // half the length [m]
	current      float64 // μ0·turns
	s, z         float64 // the field point: square of its distance from the axis, height over the middle
}

// productPlaces is the room of a productRule, whose points follow each other.
const productPlaces = gaussLimit * gaussLimit

// productRule has the points of a Gauss–Legendre rule across a section for each of those
// of another along it. The weights sum to one. Beyond n points the last is repeated
// without weight, up to whole vectors. The assembly reads it by the fields' order.
type productRule struct {
	across, along, weight [productPlaces]float64
	n                     int
}

var productRules [gaussLimit + 1][gaussLimit + 1]atomic.Pointer[productRule]

func productOf(across, along int) *productRule {
	made := &productRules[across][along]
	if p := made.Load(); p != nil {
		return p
	}
	p := new(productRule)
	a, b := &gaussRules()[across], &gaussRules()[along]
	for i, x := range a.x {
		for j, y := range b.x {
			p.across[p.n], p.along[p.n], p.weight[p.n] = x, y, a.w[i]*b.w[j]/4
			p.n++
		}
	}
	for i := p.n; i%LoopSetSize != 0; i++ {
		p.across[i], p.along[i] = p.across[p.n-1], p.along[p.n-1]
	}
	made.Store(p)
	return p
}

// field is B of so many loops across and along the section.
func (c *section) field(across, along int) (bz, g float64) {
	var sums [4]float64
	if rule := productOf(across, along); sectionRings == vectorsNone {
		sectionRingsGo(&sums, rule, c, false)
	} else {
		sectionFieldsVectors(sectionRings, &sums, rule, c)
	}
	return sums[0], sums[1]
}

// gradient is field with its derivatives.
func (c *section) gradient(across, along int) axialJet {
	var sums [4]float64
	if rule := productOf(across, along); sectionRings == vectorsNone {
		sectionRingsGo(&sums, rule, c, true)
	} else {
		sectionRingsVectors(sectionRings, &sums, rule, c)
	}
	return axialJet{sums[0], sums[1], sums[2], sums[3]}
}

var (
	sectionRings  = vectorsNone
	sectionKernel = variant.New("fieldmodels.section", &sectionRings)
)

// sectionRingsGo is the definition of the kernels: the terms of Loop, summed.
func sectionRingsGo(sums *[4]float64, rule *productRule, c *section, derivatives bool) {
	for i := range rule.n {
		a := c.middle + c.half*rule.across[i]
		a2 := a * a
		jet := ringJet(a2, 0.25*c.current*rule.weight[i]*a2, c.s, a2-c.s, c.z-c.length*rule.along[i])
		sums[0] += jet.bz
		sums[1] += jet.g
		if derivatives {
			sums[2] += jet.h
			sums[3] += jet.gz
		}
	}
}
