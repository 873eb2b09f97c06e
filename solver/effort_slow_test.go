//go:build slow

package solver

const (
	honestPoses = 50000
	globalPoses = 50000
)
