package figure

import (
	"bytes"
	"image/color"
	"math"
	"testing"

	"tonepose/cmd/tonepose/internal/figure/chart"
	"tonepose/cmd/tonepose/internal/figure/colour"
)

// A tone has its band of ±1 sigma; where it is lost the phase has a gap, and the note says
// why.
func TestDemodulation(t *testing.T) {
	nan := math.NaN()
	d := DemodulationData{Title: "bridge against carrier", Note: "invented data", Unit: "V",
		Tones: []ToneSeries{{Name: "bridge"}}}
	tone := &d.Tones[0]
	for i := range 101 {
		d.Time = append(d.Time, float64(i)/10)
		tone.Amplitude, tone.Sigma = append(tone.Amplitude, 2e-3+1e-4*float64(i)/10), append(tone.Sigma, 2e-4)
		phase, sigma := 30.0, 5.0
		if i >= 40 && i < 60 {
			phase, sigma = nan, nan
		}
		tone.Phase, tone.SigmaPhase = append(tone.Phase, phase), append(tone.SigmaPhase, sigma)
	}
	m := look(t, "demodulation", Demodulation(d))
	m.word("invented data; gaps in the phase: the signal is lost in noise there")
	m.word("amplitude, peak (mV)")
	m.word("±1 sigma")
	x, amplitude := m.across(0, "2", "8", false), m.up(0, "1", "3", false)
	if !m.passes(colour.Blue, x.at(5), amplitude.at(2.5)) {
		t.Error("the amplitude does not pass 2.5 mV at 5 s")
	}
	ink := bandOf(colour.Blue)
	if b := m.area(ink, x.at(5), amplitude.at(2.3)); b == nil || abs(b.room().Min.Y-amplitude.at(1.8)) > near || abs(b.room().Max.Y-amplitude.at(3.2)) > near {
		t.Error("the band does not run from 1.8 to 3.2 mV")
	}
	phase := m.up(0, "25", "35", false)
	if !m.passes(colour.Blue, x.at(2), phase.at(30)) || m.passes(colour.Blue, x.at(5), phase.at(30)) || !m.passes(colour.Blue, x.at(8), phase.at(30)) {
		t.Error("the phase is not drawn before and after the gap alone")
	}
	if m.area(ink, x.at(2), phase.at(26)) == nil || m.area(ink, x.at(5), phase.at(26)) != nil {
		t.Error("the phase's band is missing, or spans the gap")
	}
	d.Unit, d.Quantity, tone.Sigma, tone.SigmaPhase = "", "amplitude, peak, of full scale", nil, nil
	for i := range tone.Amplitude {
		tone.Amplitude[i] = 0.25
	}
	m = look(t, "demodulation-share", Demodulation(d))
	m.word("amplitude, peak, of full scale")
	m.lacks("±1 sigma")
}

// Sigma and estimated error are lines, chi-squares dots; what is flagged is marked by a
// filled square, what is in doubt by a half-filled one.
func TestQuality(t *testing.T) {
	d := QualityData{Title: "What the poses are worth", Note: "invented data", DOF: 18}
	for i := range 100 {
		d.Time, d.Sigma, d.Estimated = append(d.Time, float64(i)/10), append(d.Sigma, 2e-5), append(d.Estimated, 5e-5)
		d.Chi2, d.InDoubt, d.Flagged = append(d.Chi2, 18), append(d.InDoubt, i == 30 || i == 50), append(d.Flagged, i > 30 && i < 50)
		if d.Flagged[i] {
			d.Estimated[i], d.Chi2[i] = 1e-3, 90
		}
		if d.InDoubt[i] {
			d.Chi2[i] = 45
		}
	}
	m := look(t, "quality", Quality(d))
	m.word("position (µm)")
	x, size, chi := m.across(0, "2", "8", false), m.up(0, "50", "200", true), m.up(0, "0", "50", false)
	if !m.passes(colour.Ink, x.at(1), size.at(20)) || !m.passes(colour.Alarm, x.at(1), size.at(50)) || !m.passes(colour.Alarm, x.at(4), size.at(1000)) {
		t.Error("sigma or estimated error is not where it should be")
	}
	// Chi-square of 18: 95 % lie between 8.231 and 31.526 (NIST/SEMATECH e-Handbook of
	// Statistical Methods, 1.3.6.7.4, recomputed).
	if b := m.area(colour.Band, x.at(1), chi.at(20)); b == nil || abs(b.room().Min.Y-chi.at(8.231)) > near || abs(b.room().Max.Y-chi.at(31.526)) > near {
		t.Error("the band is not that of chi-square with 18 degrees of freedom")
	}
	full, half := m.area(colour.Alarm, x.at(4), chi.at(90)), m.area(colour.Alarm, x.at(3), chi.at(45))
	if full == nil || half == nil {
		t.Fatal("what is flagged or in doubt is not marked")
	}
	if f, h := full.room().Size(), half.room().Size(); abs(f.X-f.Y) > 0.01 || h.Y > 0.6*h.X {
		t.Errorf("the marks are %v, filled, and %v, half-filled", f, h)
	}
	if n := m.dots(colour.Alarm); n != 2+2*21 { // one each of the legend; both panels
		t.Errorf("%d marks of 19 rows flagged and 2 in doubt", n)
	}
	m.word("in doubt")
	d.InDoubt, d.Flagged = make([]bool, 100), make([]bool, 100)
	m = look(t, "quality-sound", Quality(d))
	m.lacks("flagged", "in doubt")
	look(t, "quality-empty", Quality(QualityData{Title: "Nothing"})).word("chi-square")
}

// Deviations stand at their averaging times with their bounds; shares are in parts per
// million.
func TestStability(t *testing.T) {
	d := StabilityData{Title: "Stability of the drives", Note: "invented data", Panels: []StabilityPanel{{Quantity: "relative amplitude"}, {Quantity: "phase", Unit: "rad"}}}
	for k, scale := range []float64{2e-6, math.Pi / 180} {
		c := Deviation{Name: "e1"}
		for _, tau := range []float64{0.1, 1, 10} {
			v := scale / math.Sqrt(tau)
			c.Tau, c.Value, c.Low, c.High = append(c.Tau, tau), append(c.Value, v), append(c.Low, v/2), append(c.High, 2*v)
		}
		d.Panels[k].Curves = []Deviation{c}
	}
	m := look(t, "stability", Stability(d))
	m.word("relative amplitude (ppm)")
	m.word("phase (°)")
	x, amplitude, phase := m.across(0, "0.1", "10", true), m.up(0, "1", "5", true), m.up(1, "1", "2", true)
	for _, tau := range []float64{0.1, 1, 10} {
		if m.area(colour.Blue, x.at(tau), amplitude.at(2/math.Sqrt(tau))) == nil || m.area(colour.Blue, x.at(tau), phase.at(1/math.Sqrt(tau))) == nil {
			t.Errorf("no dots at %g s", tau)
		}
		pale := chart.Stroke(colour.Pale(colour.Blue), 1).Color.(color.NRGBA)
		if !m.passes(pale, x.at(tau), amplitude.at(3.8/math.Sqrt(tau))) || m.passes(pale, x.at(tau), amplitude.at(4.8/math.Sqrt(tau))) {
			t.Errorf("the bar at %g s does not end at twice the value", tau)
		}
	}
}

// Gaps, lone values, constants and nothing at all must be drawn without a
// complaint: a lost reference or a short run gives just that.
func TestSeriesFiguresOfOddData(t *testing.T) {
	nan := math.NaN()
	many := make([]float64, 5000)
	for i := range many {
		many[i] = float64(i)
	}
	figures := map[string]*Figure{
		"demodulation, empty":    Demodulation(DemodulationData{Unit: "V"}),
		"demodulation, one row":  Demodulation(DemodulationData{Unit: "V", Time: []float64{1}, Tones: []ToneSeries{{"a", []float64{1e-6}, []float64{30}, []float64{1e-8}, []float64{nan}}}}),
		"demodulation, gaps":     Demodulation(DemodulationData{Unit: "V", Time: []float64{0, 1, 2, 3}, Tones: []ToneSeries{{"a", []float64{1, 1, 1, 1}, []float64{nan, 5, nan, 7}, []float64{0.1, nan, 0.2, math.Inf(1)}, []float64{nan, 1, nan, 2}}, {"b", []float64{0, 0, 0, 0}, []float64{nan, nan, nan, nan}, nil, nil}}}),
		"demodulation, crowd":    Demodulation(DemodulationData{Title: "t", Note: "n", Unit: "V", Time: many, Tones: []ToneSeries{{"a", many, many, many, many}}}),
		"stability, empty":       Stability(StabilityData{}),
		"stability, empty panel": Stability(StabilityData{Panels: []StabilityPanel{{Quantity: "x"}}}),
		"stability, odd values": Stability(StabilityData{Panels: []StabilityPanel{{Quantity: "phase", Unit: "rad", Curves: []Deviation{
			{"a", []float64{1, 2, 4}, []float64{1e-6, 0, nan}, []float64{5e-7, 0, nan}, []float64{2e-6, 0, math.Inf(1)}}, {"b", nil, nil, nil, nil}}}}}),
	}
	for name, f := range figures {
		for _, format := range chart.Formats {
			var out bytes.Buffer
			if err := f.Write(&out, format); err != nil {
				t.Errorf("%s: %s: %v", name, format, err)
			}
			if out.Len() < 300 {
				t.Errorf("%s: %s of %d bytes", name, format, out.Len())
			}
		}
	}
}
