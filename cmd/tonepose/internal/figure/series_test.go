package figure

import (
	"bytes"
	"math"
	"testing"
)

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
		for _, format := range []string{"png", "svg"} {
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
