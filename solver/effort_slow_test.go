//go:build slow

package solver

const (
	honestPoses     = 50000
	derivativePoses = 1000
	globalPoses     = 50000
)
