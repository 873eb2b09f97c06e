//go:build !purego

package fieldmodels

import "tonepose/fieldmodels/variant"

func init() {
	coupleLoopsKernel.Add(variant.AVX2, fluxAVX2)
	coupleLoopsKernel.Add(variant.AVX512, fluxAVX512)
}

func coupleLoopsVectors(form fluxForm, dst *LoopFlux, s *LoopSet, p *FluxPickup, points []FluxPoint) {
	if form == fluxAVX512 {
		coupleLoopsAVX512(&dst.Value[0], &s.center[0][0], &p.Moment.X, &points[0].At.X, len(points))
	} else {
		coupleLoopsAVX2(&dst.Value[0], &s.center[0][0], &p.Moment.X, &points[0].At.X, len(points))
	}
}

//go:noescape
func coupleLoopsAVX2(dst, set, pickup, points *float64, count int)

//go:noescape
func coupleLoopsAVX512(dst, set, pickup, points *float64, count int)
