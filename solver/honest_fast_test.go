//go:build !slow

package solver

const honestPoses = 2000
