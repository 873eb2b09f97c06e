package assessment_test

import (
	"fmt"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels/rigid"
	"tonepose/solver/assessment"
)

func ExampleSummarise() {
	// Two stations, each visited twice: 1 and 3 µm off along x at the first, 2 and
	// 6 µm at the second.
	var samples []assessment.Sample
	for i, micrometres := range []float64{1, 3, 2, 6} {
		truth := rigid.Pose{Position: r3.Vec{X: 0.1 * float64(i/2), Z: 0.2}, Rotation: rigid.Identity().Rotation}
		samples = append(samples, assessment.Sample{
			Truth: truth, Estimate: truth.Plus(r3.Vec{X: micrometres * 1e-6}, r3.Vec{}),
			Station: 1 + i/2, Visit: 1 + i,
		})
	}
	r, _ := assessment.Summarise(samples)
	fmt.Printf("RMS %.2f µm, largest %.0f µm\n", 1e6*r.PositionRMS, 1e6*r.PositionMax)
	fmt.Printf("bias by station %.2f µm, reproducibility %.2f µm\n", 1e6*r.Precision.Trueness.Position, 1e6*r.Precision.Reproducibility.Position)
	fmt.Printf("the distance of 0.1 m is %.1f µm too long\n", 1e6*r.Distances.Mean)
	// Output:
	// RMS 3.54 µm, largest 6 µm
	// bias by station 3.16 µm, reproducibility 2.24 µm
	// the distance of 0.1 m is 2.0 µm too long
}
