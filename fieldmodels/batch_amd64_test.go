//go:build !purego

package fieldmodels

func init() {
	best := ringLanes
	for _, v := range []struct {
		name  string
		lanes int
	}{{"go", 0}, {"avx2", 4}, {"avx512", 8}} {
		if v.lanes <= best {
			ringKernels = append(ringKernels, ringKernel{v.name, func(run func()) {
				defer func() { ringLanes = best }()
				ringLanes = v.lanes
				run()
			}})
		}
	}
}
