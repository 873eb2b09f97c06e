//go:build slow

package cli

import (
	"math/rand/v2"
	"testing"
)

// TestLiveKilled at two hundred moments.
func TestLiveKilledAnywhere(t *testing.T) {
	whole := wholeRun(t)
	random := rand.New(rand.NewPCG(9, 9))
	for range 200 {
		killed(t, whole, random.IntN(300))
	}
}
