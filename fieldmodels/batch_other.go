//go:build !amd64 || purego

package fieldmodels

func ringFieldsVector(*ring, []float64, []float64, []float64, []float64, []float64, []float64) int {
	return 0
}
