package fieldmodels_test

import (
	"testing"

	"gonum.org/v1/gonum/spatial/r3"
)

// No model allocates.
func TestNoAllocation(t *testing.T) {
	for _, m := range models() {
		for _, p := range []r3.Vec{{X: 0.05, Y: 0.06, Z: 0.07}, {X: 0.3, Y: 0.4, Z: -0.2}, {X: 3, Y: 40, Z: 5}} {
			n := testing.AllocsPerRun(20, func() {
				_, err1 := m.source.Field(p)
				_, _, err2 := m.source.Gradient(p)
				if err1 != nil || err2 != nil {
					t.Fatal(err1, err2)
				}
			})
			if n != 0 {
				t.Errorf("%s at %v: %v allocations", m.name, p, n)
			}
		}
	}
}
