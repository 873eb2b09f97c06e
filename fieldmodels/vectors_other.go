//go:build !amd64 || purego

package fieldmodels

func coupleLoopsVectors(_ vectors, dst *LoopFlux, s *LoopSet, p *FluxPickup, points []FluxPoint) {
	coupleLoopsGo(dst, s, p, points)
}

func stackRingsVectors(_ vectors, sums *[4]float64, r *ringStack) { stackRingsGo(sums, r) }

func seeSidesVectors(s *sides, z, width, height float64) bool { return seeSidesGo(s, z, width, height) }
