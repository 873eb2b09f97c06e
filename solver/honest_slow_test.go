//go:build slow

package solver

const honestPoses = 50000
