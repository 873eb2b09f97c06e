//go:build !amd64 || purego

package fieldmodels

func coupleLoopsVectors(_ fluxForm, dst *LoopFlux, s *LoopSet, p *FluxPickup, points []FluxPoint) {
	coupleLoopsGo(dst, s, p, points)
}
