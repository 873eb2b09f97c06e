package figure

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"
)

// inventedErrors are errors that grow with the distance from a bench of coils.
func inventedErrors(n int) (places, errors, directions []r3.Vec, size, sigma []float64) {
	random := rand.New(rand.NewPCG(11, 12))
	for range n {
		p := r3.Vec{X: 0.24*random.Float64() - 0.12, Y: 0.2*random.Float64() - 0.1, Z: 0.08 + 0.15*random.Float64()}
		s := 4e-6 * math.Pow(p.Z/0.08, 3)
		e := r3.Vec{X: s * random.NormFloat64(), Y: s * random.NormFloat64(), Z: s * random.NormFloat64()}
		d := r3.Unit(r3.Vec{X: random.NormFloat64(), Y: random.NormFloat64(), Z: random.NormFloat64()})
		places, errors, directions = append(places, p), append(errors, e), append(directions, d)
		size, sigma = append(size, r3.Norm(e)), append(sigma, s)
	}
	return places, errors, directions, size, sigma
}

func TestVectors(t *testing.T) {
	for _, n := range []int{27, 400} {
		places, errors, _, _, _ := inventedErrors(n)
		d := VectorData{Title: "Position errors", Note: "invented data: pipe-bench", Emitters: inventedBench(4, 0).Emitters, Positions: places, Errors: errors, Doubtful: make([]bool, n)}
		d.Doubtful[3] = true
		places[5] = r3.Vec{X: math.NaN()}
		look(t, "vectors-"+map[int]string{27: "few", 400: "many"}[n], Vectors(d))
	}
	look(t, "vectors-empty", Vectors(VectorData{Title: "Nothing"}))
}

// The arrows must fill a twelfth of the box or less, more than a thirtieth: 1, 2,
// 5 are at most 2.5 apart.
func TestVectorFactor(t *testing.T) {
	for _, e := range []float64{1e-7, 3e-5, 2e-3, 0.4} {
		d := VectorData{Errors: []r3.Vec{{X: e}}}
		f := d.factor(r3.Vec{}, r3.Vec{X: 0.3, Y: 0.2, Z: 0.1})
		if length := f * e; length > 0.3/12*(1+1e-9) || length < 0.3/12/2.5*(1-1e-9) {
			t.Errorf("error of %g m is drawn %g m long", e, length)
		}
	}
}

func TestErrorMap(t *testing.T) {
	for _, n := range []int{27, 1200} {
		places, _, directions, size, _ := inventedErrors(n)
		size[2] = math.NaN()
		d := ErrorMapData{Title: "Error against position and orientation", Note: "invented data", Emitters: inventedBench(4, 0).Emitters,
			Positions: places, Directions: directions, Size: size, Quantity: "position error", Unit: "m"}
		look(t, "map-"+map[int]string{27: "few", 1200: "many"}[n], ErrorMap(d))
	}
	look(t, "map-empty", ErrorMap(ErrorMapData{Title: "Nothing", Quantity: "error", Unit: "m"}))
}

func TestHistogram(t *testing.T) {
	_, errors, _, _, sigma := inventedErrors(500)
	d := HistogramData{Title: "Errors along and about the rig's axes", Note: "invented data"}
	for k, name := range []string{"along x", "along y", "along z", "about x"} {
		p := HistogramPanel{Quantity: "error " + name, Unit: []string{"m", "rad"}[k/3], Sigma: sigma}
		for _, e := range errors {
			p.Values = append(p.Values, []float64{e.X, e.Y, e.Z, math.NaN()}[k])
		}
		d.Panels = append(d.Panels, p)
	}
	look(t, "histogram", Histogram(d))
	look(t, "histogram-few", Histogram(HistogramData{Title: "Four errors, nothing predicted", Panels: []HistogramPanel{{Quantity: "error along x", Unit: "m", Values: []float64{1e-3, 2e-3, -1e-3, 4e-3}}}}))
	look(t, "histogram-empty", Histogram(HistogramData{Title: "Nothing"}))
}

// A histogram of many draws from their own prediction is that prediction: over
// all of it the density is one.
func TestHistogramDensityIsOne(t *testing.T) {
	grid, density := HistogramPanel{Sigma: []float64{1, 2, math.NaN(), 0.5}}.density(20, 0.7)
	sum := 0.0
	for i := 1; i < len(grid); i++ {
		sum += (grid[i] - grid[i-1]) * (density[i] + density[i-1]) / 2
	}
	// Trapezoids of 1/6 over bells of 0.5 and more that are smooth.
	if math.Abs(sum-1) > 1e-6 {
		t.Errorf("density adds up to %.9f", sum)
	}
}

func TestQuantiles(t *testing.T) {
	random := rand.New(rand.NewPCG(13, 14))
	draw := func(n, k int, scale float64) (out []float64) {
		for range n {
			sum := 0.0
			for range k {
				v := scale * random.NormFloat64()
				sum += v * v
			}
			out = append(out, sum)
		}
		return append(out, math.NaN())
	}
	look(t, "quantiles", Quantiles(QuantileData{Title: "Are the stated uncertainties honest?", Note: "invented data", Panels: []QuantilePanel{
		{Name: "position error over its sigma", Squares: draw(300, 3, 1), Freedom: 3},
		{Name: "pose error over its sigma", Squares: draw(5000, 6, 1.5), Freedom: 6},
	}}))
	look(t, "quantiles-failed", Quantiles(QuantileData{Title: "A prediction that fails", Panels: []QuantilePanel{
		{Name: "position error over its sigma", Squares: append(draw(50, 3, 1), 900, 2500), Freedom: 3}}}))
	look(t, "quantiles-empty", Quantiles(QuantileData{Title: "Nothing", Panels: []QuantilePanel{{Name: "position", Freedom: 3}}}))
}
