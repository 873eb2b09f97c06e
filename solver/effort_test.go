//go:build !slow

package solver

const (
	honestPoses = 2000
	globalPoses = 2000
)
