package calibration_test

import (
	"fmt"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels"
	"tonepose/fieldmodels/mutual"
	"tonepose/fieldmodels/rigid"
	"tonepose/solver/calibration"
)

// Two loops as drawn; the second was built 1 mm to the right. A probe of one
// coil sees both from five known places. Invented data, without noise.
func ExampleCalibrate() {
	loop := fieldmodels.Loop{Radius: 0.03, Turns: 40}
	p := calibration.Problem{Sensors: []calibration.Sensor{{
		Name:  "probe",
		Coils: []calibration.Coil{{Coil: mutual.Coil{Axis: r3.Vec{Z: 1}, AreaTurns: 0.004}}},
	}}}
	var built []fieldmodels.Source
	for i, x := range []float64{-0.1, 0.1} {
		center, axis := r3.Vec{X: x}, r3.Vec{Z: 1}
		p.Emitters = append(p.Emitters, calibration.Emitter{
			Emitter: fieldmodels.Emitter{
				Name: fmt.Sprintf("e%d", i+1), Center: center, Axis: axis,
				Source: fieldmodels.PlaceAxis(loop, center, axis),
			},
			Tolerance: calibration.EmitterTolerance{Position: 0.002},
		})
		built = append(built, fieldmodels.PlaceAxis(loop, r3.Add(center, r3.Vec{X: 0.001 * float64(i)}), axis))
	}
	for i := range 5 {
		at := r3.Vec{X: 0.05*float64(i) - 0.1, Y: 0.03 * float64(i%3), Z: 0.12}
		s := calibration.Station{
			Reference:     rigid.Pose{Position: at, Rotation: rigid.Identity().Rotation},
			SigmaPosition: 1e-5, SigmaRotation: 1e-4,
		}
		for _, src := range built {
			b, err := src.Field(at)
			if err != nil {
				panic(err)
			}
			s.Couplings.Value = append(s.Couplings.Value, 0.004*b.Z)
			s.Couplings.Variance = append(s.Couplings.Variance, 1e-24)
		}
		p.Stations = append(p.Stations, s)
	}
	res, err := calibration.Calibrate(&p, calibration.Options{Free: calibration.EmitterPosition})
	if err != nil {
		panic(err)
	}
	fmt.Println(res.Status)
	for _, i := range []int{0, 3} {
		q := res.Parameters[i]
		fmt.Printf("%s: %.1f mm -> %.1f mm\n", q.Name, 1e3*q.Before, 1e3*q.After)
	}
	// Output:
	// converged
	// e1 place x: -100.0 mm -> -100.0 mm
	// e2 place x: 100.0 mm -> 101.0 mm
}
