package fieldmodels

import (
	"errors"
	"math"
	"strings"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"
)

// What can be no coil has no field, and says why.
func TestShapesThatAreNone(t *testing.T) {
	for _, c := range []struct {
		source Source
		words  string
	}{
		{Loop{Radius: -1, Turns: 1}, "Loop.Radius = -1 m must be positive"},
		{Loop{Turns: 1}, "Loop.Radius = 0 m must be positive"},
		{Loop{Radius: math.NaN(), Turns: 1}, "Loop.Radius = NaN"},
		{Polyline{Turns: 1}, "0 points"},
		{Polyline{Points: []r3.Vec{{}}, Closed: true, Turns: 1}, "1 points"},
	} {
		b, err := c.source.Field(r3.Vec{X: 0.1, Z: 0.2})
		if !errors.Is(err, ErrShape) || !strings.Contains(err.Error(), c.words) || b != (r3.Vec{}) {
			t.Errorf("%+v: %v, %v", c.source, b, err)
		}
		if _, _, err := c.source.Gradient(r3.Vec{X: 0.1, Z: 0.2}); !errors.Is(err, ErrShape) {
			t.Errorf("%+v: gradient: %v", c.source, err)
		}
	}
}
