//go:build !slow

package solver

const (
	honestPoses     = 2000
	derivativePoses = 40
	globalPoses     = 2000
)
