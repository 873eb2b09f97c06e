package figure

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"tonepose/cmd/tonepose/internal/figure/chart"
	"tonepose/cmd/tonepose/internal/figure/colour"
)

// Every residual is a dot at its station and one beside its emitter; stations that do not
// fit are marked in the hue of alarm.
func TestResiduals(t *testing.T) {
	random := rand.New(rand.NewPCG(1, 2))
	d := ResidualData{Title: "Residuals", Note: "invented data", Emitters: []string{"e1", "e2", "bobbin3"}, Outliers: []int{7}}
	for s := range 40 {
		for e := range d.Emitters {
			for range 3 {
				v := random.NormFloat64()
				if s == 6 {
					v *= 5
				}
				if s == 9 && e == 1 {
					v = math.NaN()
				}
				d.Station, d.Emitter, d.Value = append(d.Station, s+1), append(d.Emitter, e), append(d.Value, v)
			}
		}
	}
	m := look(t, "residuals", Residuals(d))
	if n := m.dots(colour.Blue); n != 1+2*(40*9-3) { // one of the legend
		t.Errorf("%d dots for 357 residuals, twice", n)
	}
	x, y := m.across(0, "10", "30", false), m.up(0, "−5", "5", false)
	if m.area(colour.Pale(colour.Alarm), x.at(7), y.at(9)) == nil || m.area(colour.Pale(colour.Alarm), x.at(9), y.at(9)) != nil {
		t.Error("the station that does not fit is not marked, or another is")
	}
	if b := m.area(colour.Band, x.at(20), y.at(0)); b == nil || abs(b.room().Max.Y-y.at(1.96)) > near {
		t.Error("the band does not end at 1.96 sigmas")
	}
	if m.area(colour.Blue, x.at(1), y.at(d.Value[0])) == nil {
		t.Errorf("no dot of station 1 at %g", d.Value[0])
	}
	for _, e := range d.Emitters {
		m.word(e)
	}
	look(t, "residuals-empty", Residuals(ResidualData{Title: "Nothing"})).word("residual (sigmas)")
}

// Parameters are shown in the units of a workshop, and their moves in tolerances.
func TestParameters(t *testing.T) {
	d := ParameterData{Title: "Parameters", Note: "invented data",
		Names: []string{"e1 place x", "e1 tilt 1", "e1 strength", "rx1 delay"}, Units: []string{"m", "rad", "", "s"},
		Before: []float64{0.2, 0, 1, 0}, After: []float64{0.1985, 0.02, 0.97, 3e-8}, Sigma: []float64{2.2e-5, 2.3e-4, 0.01, 1e-9}, Tolerance: []float64{1e-3, 1e-2, 0.03, 0}}
	m := look(t, "parameters", Parameters(d))
	for name, row := range map[string][]string{"e1 place x (mm)": {"200.000", "198.500", "0.022", "1.0"}, "e1 tilt 1 (mrad)": {"0.00", "20.00", "0.23", "10"},
		"e1 strength (%)": {"100.0", "97.0", "1.0", "3.0"}, "rx1 delay (ns)": {"0.0", "30.0", "1.0", "–"}} {
		line := m.word(name).room
		var texts []string
		for _, w := range m.words {
			if abs(chart.Centre(w.room).Y-chart.Centre(line).Y) < 2 && w.text != name {
				texts = append(texts, w.text)
			}
		}
		if !slices.Equal(texts, row) {
			t.Errorf("%s: %q, want %q", name, texts, row)
		}
	}
	x := m.across(0, "−2", "2", false)
	for name, moved := range map[string]float64{"e1 place x (mm)": -1.5, "e1 tilt 1 (mrad)": 2, "e1 strength (%)": -1} {
		y := chart.Centre(m.word(name).room).Y
		if !m.passes(colour.Blue, x.at(moved), y) || m.passes(colour.Blue, x.at(moved*1.2), y) || m.passes(colour.Blue, x.at(-moved/2), y) {
			t.Errorf("%s: no bar that ends at %g tolerances", name, moved)
		}
	}
	y := chart.Centre(m.word("e1 strength (%)").room).Y
	if !m.passes(colour.Ink, x.at(-1.3), y) || !m.passes(colour.Ink, x.at(-0.7), y) || m.passes(colour.Ink, x.at(-1.6), y) {
		t.Error("the sigma of a third of the tolerance is not drawn about the bar's end")
	}
	if y := chart.Centre(m.word("rx1 delay (ns)").room).Y; m.passes(colour.Blue, x.at(0), y) {
		t.Error("a parameter without tolerance has a bar")
	}
	d.Tolerance = make([]float64, 4) // none: the axis is that of the units
	d.After[1] = 0.01
	m = look(t, "parameters-untolerated", Parameters(d))
	m.word("moved (mm, mrad, %, ns)")
	x = m.across(0, "0", "10", false)
	if y := chart.Centre(m.word("e1 tilt 1 (mrad)").room).Y; !m.passes(colour.Blue, x.at(10), y) {
		t.Error("a tilt of 10 mrad does not reach 10")
	}
	for n, rows := range map[int]int{0: 0, 200: shownParameters} {
		var d ParameterData
		for i := range n {
			d.Names, d.Units = append(d.Names, fmt.Sprintf("e%d place x", i+1)), append(d.Units, "m")
			d.Before, d.After = append(d.Before, 0), append(d.After, 1e-5*float64(i))
			d.Sigma, d.Tolerance = append(d.Sigma, 1e-5), append(d.Tolerance, 1e-3)
		}
		m := look(t, fmt.Sprintf("parameters-%d", n), Parameters(d))
		found := 0
		for _, w := range m.words {
			if strings.HasSuffix(w.text, "place x (mm)") {
				found++
			}
		}
		if found != rows {
			t.Errorf("%d parameters: %d rows, want %d", n, found, rows)
		}
		if n > 0 {
			m.word("e200 place x (mm)") // moved most
			m.lacks("e1 place x (mm)")
		}
	}
}

// The cell of a row and a column has the colour of its correlation.
func TestCorrelations(t *testing.T) {
	for _, n := range []int{0, 7, 200} {
		c := CorrelationData{Title: "Correlations", Note: "invented data"}
		for i := range n {
			c.Names = append(c.Names, fmt.Sprintf("e%d place x", i+1))
			for j := range n {
				c.Value = append(c.Value, math.Exp(-math.Abs(float64(i-j)))*math.Cos(float64(i-j)))
			}
		}
		m := look(t, fmt.Sprintf("correlations-%d", n), Correlations(c))
		m.word("correlation")
		if n == 0 {
			continue
		}
		first := m.word("e1 place x").room
		y := chart.Centre(first).Y - 1
		own := m.area(colour.Signed.At(1), first.Max.X+5, y)
		if own == nil {
			t.Fatalf("%d: no cell of a correlation of 1 beside the first name", n)
		}
		side := own.room().Size().X
		if m.area(colour.Signed.At(0.5+0.5*math.Cos(1)/math.E), own.room().Max.X+side/2, y) == nil {
			t.Error("the second cell of the first row is not that of cos 1/e")
		}
	}
}
