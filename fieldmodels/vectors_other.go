//go:build !amd64 || purego

package fieldmodels

import "gonum.org/v1/gonum/spatial/r3"

func coupleLoopsVectors(_ vectors, dst *LoopFlux, s *LoopSet, p *FluxPickup, points []FluxPoint) {
	coupleLoopsGo(dst, s, p, points)
}

func sectionFieldsVectors(_ vectors, sums *[4]float64, rule *productRule, c *section) {
	sectionRingsGo(sums, rule, c, false)
}

func sectionRingsVectors(_ vectors, sums *[4]float64, rule *productRule, c *section) {
	sectionRingsGo(sums, rule, c, true)
}

func seeSidesVectors(*sides, r3.Vec, float64, float64) bool { return false }

func rectangleVectors(r3.Vec, float64, float64, float64) (r3.Vec, bool) { return r3.Vec{}, false }
