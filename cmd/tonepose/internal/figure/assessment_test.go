package figure

import (
	"fmt"
	"image/color"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"
	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"

	"tonepose/cmd/tonepose/internal/figure/chart"
	"tonepose/cmd/tonepose/internal/figure/colour"
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

// Every error is an arrow from its true position to its tip, enlarged as the legend says.
func TestVectors(t *testing.T) {
	for name, n := range map[string]int{"few": 27, "many": 400} {
		places, errors, _, _, _ := inventedErrors(n)
		d := VectorData{Title: "Position errors", Note: "invented data: pipe-bench", Emitters: inventedBench(4, 0).Emitters, Positions: places, Errors: errors, Doubtful: make([]bool, n)}
		d.Doubtful[3] = true
		places[5] = r3.Vec{X: math.NaN()}
		m := look(t, "vectors-"+name, Vectors(d))
		factor := d.factor(bounds(PathData{Emitters: d.Emitters, True: []Track{{Points: places}}}.points()))
		m.word(fmt.Sprintf("error, %s times enlarged", chart.Number(factor, 0)))
		m.word("of a flagged pose")
		x, y := m.across(0, "−100", "100", false), m.up(0, "−100", "100", false) // the view from above
		for i, ink := range map[int]color.NRGBA{0: colour.Blue, 3: colour.Alarm} {
			for share := range 2 {
				p := r3.Scale(1e3, r3.Add(places[i], r3.Scale(factor*float64(share), errors[i])))
				if !m.passes(ink, x.at(p.X), y.at(p.Y)) {
					t.Errorf("%s: no arrow passes %.1f, %.1f mm", name, p.X, p.Y)
				}
			}
		}
		if dots := m.dots(colour.SoftInk); dots < 4*(n-1) { // in four views, and arrow heads of emitters
			t.Errorf("%s: %d dots of %d true positions in four views", name, dots, n)
		}
		if found := m.find("e1"); len(found) < 2 {
			t.Errorf("%s: e1 is named %d times in four views", name, len(found))
		}
	}
	look(t, "vectors-empty", Vectors(VectorData{Title: "Nothing"})).word("top")
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

// A position has the colour of its error, in every view, and so has its direction on the
// sphere.
func TestErrorMap(t *testing.T) {
	for name, n := range map[string]int{"few": 27, "many": 1200} {
		places, _, directions, size, _ := inventedErrors(n)
		size[2] = math.NaN()
		d := ErrorMapData{Title: "Error against position and orientation", Note: "invented data", Emitters: inventedBench(4, 0).Emitters,
			Positions: places, Directions: directions, Size: size, Quantity: "position error", Unit: "m"}
		m := look(t, "map-"+name, ErrorMap(d))
		m.word("position error (µm)")
		worst := chart.Rising(n, func(i int) float64 { return -size[i] })[0] // NaN sorts first among −size
		if math.IsNaN(size[worst]) {
			worst = chart.Rising(n, func(i int) float64 { return -size[i] })[1]
		}
		x, y := m.across(0, "−100", "100", false), m.up(0, "−100", "100", false)
		if m.area(colour.Size.At(1), x.at(1e3*places[worst].X), y.at(1e3*places[worst].Y)) == nil {
			t.Errorf("%s: the largest error is not at %v in the colour of the scale's end", name, places[worst])
		}
		if n := m.dots(colour.Size.At(1)); n < 4 { // three views and the sphere
			t.Errorf("%s: the largest error is drawn %d times", name, n)
		}
		if len(m.find("e1")) < 2 {
			t.Errorf("%s: e1 is not named", name)
		}
	}
	look(t, "map-empty", ErrorMap(ErrorMapData{Title: "Nothing", Quantity: "error", Unit: "m"})).word("error (m)")
}

// The bars of a panel together have the area of one, and stand where the errors are.
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
	m := look(t, "histogram", Histogram(d))
	for _, text := range []string{"error along x (µm)", "error along z (µm)", "error about x (°)", "predicted density", "mean"} {
		m.word(text)
	}
	m.lacks("each error")
	few := Histogram(HistogramData{Title: "Four errors, nothing predicted", Panels: []HistogramPanel{{Quantity: "error along x", Unit: "m", Values: []float64{1e-3, 2e-3, -1e-3, 4e-3}}}})
	m = look(t, "histogram-few", few)
	m.lacks("predicted density")
	m.word("each error")
	x := m.across(0, "−2", "2", false)
	bottom := m.word("error along x (mm)").room.Max.Y
	bars := 0
	for _, a := range m.areas {
		if r := a.room(); a.ink == colour.Pale(colour.Blue) && r.Min.Y > bottom && r.Size().X > 20 {
			bars++
		}
	}
	for _, v := range []float64{1, 2, -1, 4} {
		marked := false
		for _, s := range m.lines {
			marked = marked || s.ink == colour.Blue && abs(s.points[0].X-x.at(v)) < near && s.points[0].Y > bottom
		}
		if !marked {
			t.Errorf("no mark at %g mm", v)
		}
	}
	if bars < 2 || bars > 4 {
		t.Errorf("four errors in %d bars", bars)
	}
	if !m.passes(colour.Ink, x.at(1.5), bottom+60) { // their mean
		t.Error("no line at the mean of 1.5 mm")
	}
	look(t, "histogram-empty", Histogram(HistogramData{Title: "Nothing"})).word("errors")
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

// Of many sigmas a few hundred means make the density. At zero a bell is as high as 1/s, whose
// second derivative is 2/s³: taking a group for its mean m lowers it by the group's mean of
// (s/m−1)², to second order, and in no other place by more. Bars as narrow as these average nothing.
func TestHistogramDensityOfMany(t *testing.T) {
	random := rand.New(rand.NewPCG(21, 22))
	sigma := make([]float64, 3000)
	for i := range sigma {
		sigma[i] = math.Exp(0.5 * random.NormFloat64())
	}
	grid, density := HistogramPanel{Sigma: sigma}.density(4, 1e-3)
	slices.Sort(sigma)
	bound := 0.0 // relative, at zero
	for i := 0; i < len(sigma); i += 15 {
		m := stat.Mean(sigma[i:i+15], nil)
		for _, s := range sigma[i : i+15] {
			bound += (s/m - 1) * (s/m - 1) / float64(len(sigma))
		}
	}
	most, peak := 0.0, 0.0
	for k, x := range grid {
		exact := 0.0
		for _, s := range sigma {
			exact += distuv.Normal{Sigma: s}.Prob(x) / float64(len(sigma))
		}
		most, peak = max(most, math.Abs(density[k]-exact)), max(peak, exact)
	}
	// Twice it, for what is beyond the second order in the outermost groups.
	if most > 2*bound*peak || most == 0 {
		t.Errorf("density off by %.2g of its peak, the groups allow %.2g", most/peak, bound)
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
	right, small := draw(300, 3, 1), draw(5000, 6, 1.5)
	m := look(t, "quantiles", Quantiles(QuantileData{Title: "Are the stated uncertainties honest?", Note: "invented data", Panels: []QuantilePanel{
		{Name: "position error over its sigma", Squares: right, Freedom: 3},
		{Name: "pose error over its sigma", Squares: small, Freedom: 6},
	}}))
	for _, text := range []string{"above the line: uncertainty stated too small", "below: stated too large", "position error over its sigma: predicted"} {
		m.word(text)
	}
	// The median of chi-square of 3 is 2.366, of 6 is 5.348 (NIST/SEMATECH e-Handbook of
	// Statistical Methods, 1.3.6.7.4, recomputed); the errors of the second are 1.5 times as long.
	left, up := m.across(0, "1", "3", false), m.up(0, "1", "3", false)
	if m.area(colour.Blue, left.at(math.Sqrt(2.366)), up.at(middle(right))) == nil {
		t.Error("no dot at the median of the errors that are predicted rightly")
	}
	if !m.passes(colour.Ink, left.at(2), up.at(2)) {
		t.Error("no line of equal quantiles")
	}
	second, rise := m.across(1, "2", "4", false), m.up(1, "2", "4", false)
	if m.area(colour.Blue, second.at(math.Sqrt(5.348)), rise.at(1.5*math.Sqrt(5.348))) == nil {
		t.Error("errors 1.5 times as long as predicted do not lie 1.5 times above the line")
	}
	failed := append(draw(50, 3, 1), 900, 2500)
	m = look(t, "quantiles-failed", Quantiles(QuantileData{Title: "A prediction that fails", Panels: []QuantilePanel{
		{Name: "position error over its sigma", Squares: failed, Freedom: 3}}}))
	if n := m.dots(colour.Blue); n != 1+52 {
		t.Errorf("%d dots for 52 errors", n)
	}
	look(t, "quantiles-empty", Quantiles(QuantileData{Title: "Nothing", Panels: []QuantilePanel{{Name: "position", Freedom: 3}}})).word("position: predicted")
}

// middle is the length that the median of squares has; NaN are left out.
func middle(squares []float64) float64 {
	list := sorted(squares)
	return math.Sqrt(list[len(list)/2])
}
