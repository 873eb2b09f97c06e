//go:build slow

package cli

import "testing"

// TestSquareBenchIsSound, of windings.
func TestBobbinBenchIsSound(t *testing.T) { soundBench(t, "bobbin-bench") }
