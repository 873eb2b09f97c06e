//go:build slow

package campaign

import "testing"

// Windows of three lengths, apart and overlapping, at three speeds.
func TestTrajectoriesAtLength(t *testing.T) {
	for _, length := range []float64{5e-3, 10e-3, 20e-3} {
		for _, parts := range []float64{1, 2, 5} {
			for _, speed := range []float64{0.1, 0.4, 1} {
				c := course{length, parts, speed, 1 + 5*speed}
				t.Run(c.name(), func(t *testing.T) {
					c.check(t, 4, 3)
				})
			}
		}
	}
}
