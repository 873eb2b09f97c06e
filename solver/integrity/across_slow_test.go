//go:build slow

package integrity

import "testing"

// A hundred emitters and thirty coils a sensor.
func TestCostOfPairsOfALargeBenchIsBounded(t *testing.T) { boundedAcross(t, 100, 30) }
