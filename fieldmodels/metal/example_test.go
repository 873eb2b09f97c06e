package metal_test

import (
	"fmt"
	"math"

	"tonepose/fieldmodels/metal"
)

// A ball of permeable metal in a slow field draws lines in; one of copper in a fast
// field, which cannot enter it, pushes them out: α is 2(μ − 1)/(μ + 2) of 2πa³, and
// −1 of it but for the skin.
func ExamplePolarisability() {
	const radius = 0.01
	unit := complex(2*math.Pi*radius*radius*radius, 0)
	slow := metal.Polarisability(radius, metal.Material{Conductivity: 1, Permeability: 1000}, 1)
	fast := metal.Polarisability(radius, metal.Material{Conductivity: 58e6, Permeability: 1}, 10e6)
	fmt.Printf("%.3f %.1f\n", real(slow/unit), real(fast/unit))
	// Output: 1.994 -1.0
}
