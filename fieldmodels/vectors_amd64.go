//go:build !purego

package fieldmodels

import (
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels/variant"
)

func init() {
	coupleLoopsKernel.Add(variant.AVX2, vectorsAVX2)
	coupleLoopsKernel.Add(variant.AVX512, vectorsAVX512)
	rectangleKernel.Add(variant.AVX2, vectorsAVX2)
	sectionKernel.Add(variant.AVX2, vectorsAVX2)
	sectionKernel.Add(variant.AVX512, vectorsAVX512)
}

func coupleLoopsVectors(v vectors, dst *LoopFlux, s *LoopSet, p *FluxPickup, points []FluxPoint) {
	if v == vectorsAVX512 {
		coupleLoopsAVX512(&dst.Value[0], &s.center[0][0], &p.Moment.X, &points[0].At.X, len(points))
	} else {
		coupleLoopsAVX2(&dst.Value[0], &s.center[0][0], &p.Moment.X, &points[0].At.X, len(points))
	}
}

func sectionFieldsVectors(v vectors, sums *[4]float64, rule *productRule, c *section) {
	if v == vectorsAVX512 {
		sectionFieldsAVX512(&sums[0], &rule.across[0], &c.middle, (rule.n+7)/8)
	} else {
		sectionFieldsAVX2(&sums[0], &rule.across[0], &c.middle, (rule.n+3)/4)
	}
}

func sectionRingsVectors(v vectors, sums *[4]float64, rule *productRule, c *section) {
	if v == vectorsAVX512 {
		sectionRingsAVX512(&sums[0], &rule.across[0], &c.middle, (rule.n+7)/8)
	} else {
		sectionRingsAVX2(&sums[0], &rule.across[0], &c.middle, (rule.n+3)/4)
	}
}

func seeSidesVectors(s *sides, p r3.Vec, width, height float64) bool {
	return sidesAVX2(&s.f[0], p.X, p.Y, p.Z, width, height) == 0
}

func rectangleVectors(p r3.Vec, width, height, k float64) (b r3.Vec, ok bool) {
	ok = rectangleFieldAVX2(&b.X, p.X, p.Y, p.Z, width, height, k) == 0
	return b, ok
}

//go:noescape
func sidesAVX2(sides *float64, x, y, z, width, height float64) (close uint32)

//go:noescape
func rectangleFieldAVX2(b *float64, x, y, z, width, height, k float64) (close uint32)

//go:noescape
func coupleLoopsAVX2(dst, set, pickup, points *float64, count int)

//go:noescape
func coupleLoopsAVX512(dst, set, pickup, points *float64, count int)

//go:noescape
func sectionRingsAVX2(sums, rule, section *float64, vectors int)

//go:noescape
func sectionRingsAVX512(sums, rule, section *float64, vectors int)

//go:noescape
func sectionFieldsAVX2(sums, rule, section *float64, vectors int)

//go:noescape
func sectionFieldsAVX512(sums, rule, section *float64, vectors int)
