//go:build !amd64 || purego

package fieldmodels

func init() {
	ringKernels = append(ringKernels, ringKernel{"go", func(run func()) { run() }})
}
