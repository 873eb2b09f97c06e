package correction_test

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels"
	"tonepose/fieldmodels/correction"
	"tonepose/fieldmodels/mutual"
)

// An emitter at z = −120 mm, and at −235 mm a plate that no field enters: it adds to the
// emitter's field that of an image at −350 mm, driven the other way (method of images). From
// what three coils read too much at 100 places, some 2 nH with 1 pH of noise, the map finds
// this field anywhere between them.
func ExampleFit() {
	const noise, area = 1e-12, 0.004 // [H], [m²]
	image := fieldmodels.PlaceAxis(fieldmodels.Loop{Radius: 0.035, Turns: 40}, r3.Vec{Z: -0.35}, r3.Vec{Z: -1})

	bench := &correction.Bench{Emitters: 1}
	for i := range 100 {
		// scattered evenly over a box of 0.2 × 0.2 × 0.12 m about the origin
		share := func(step float64) float64 { return math.Mod(step*float64(i), 1) - 0.5 }
		at := r3.Vec{X: 0.2 * share(math.Sqrt2), Y: 0.2 * share(math.Sqrt(3)), Z: 0.12 * share(math.Sqrt(5))}
		extra, err := image.Field(at)
		if err != nil {
			fmt.Println(err)
			return
		}
		var station correction.Station
		for c, along := range []r3.Vec{{X: area}, {Y: area}, {Z: area}} {
			station.Pickups = append(station.Pickups, []mutual.Point{{At: at, Along: along}})
			off := noise * math.Sqrt2 * math.Sin(float64(300*i+100*c)) // of rms noise
			station.Rows = append(station.Rows, correction.Row{
				Pickup: c, ByCoupling: 1 / noise,
				Residual: -(r3.Dot(extra, along) + off) / noise, // model without a plate less reading
			})
		}
		for k := range 6 { // the stations' poses are known
			known := correction.Row{Pickup: -1}
			known.ByPose[k] = 1
			station.Rows = append(station.Rows, known)
		}
		bench.Stations = append(bench.Stations, station)
	}
	m, err := correction.Fit(bench, correction.Options{Degree: 6})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println("parameters of the bench:", m.Bench().SymmetricDim())
	at := r3.Vec{X: 0.03, Y: -0.04, Z: 0.02}
	found, _ := m.Source(0).Field(at)
	added, _ := image.Field(at)
	fmt.Printf("%.2f and %.2f µT/A\n", 1e6*r3.Norm(found), 1e6*r3.Norm(added))
	fmt.Println("within 1 %:", r3.Norm(r3.Sub(found, added)) < 0.01*r3.Norm(added))
	// Output:
	// parameters of the bench: 0
	// 0.58 and 0.58 µT/A
	// within 1 %: true
}
