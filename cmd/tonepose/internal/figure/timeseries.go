package figure

import (
	"math"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"tonepose/cmd/tonepose/internal/figure/chart"
)

// DemodulationData is amplitude and phase of one or more tones against time.
type DemodulationData struct {
	Title, Note string

	Time  []float64 // rising [s]
	Unit  string    // of the amplitudes: "V"
	Tones []ToneSeries
}

// ToneSeries is one tone; its slices have Time's length, NaN is a gap.
type ToneSeries struct {
	Name      string
	Amplitude []float64 // peak
	Phase     []float64 // unwrapped [°]
}

// A series of few points shows each of them.
const fewRows = 80

// Demodulation draws amplitudes above unwrapped phases.
func Demodulation(d DemodulationData) *Figure {
	f := &Figure{Width: 7.2 * vg.Inch, Height: 4.6 * vg.Inch, Title: d.Title, Note: d.Note}
	amplitude, phase := chart.NewPlot("", ""), chart.NewPlot("time (s)", "phase, unwrapped (°)")
	curve := func(p *plot.Plot, values []float64, style draw.LineStyle) {
		p.Add(chart.Curve(d.Time, values, style))
		if len(d.Time) <= fewRows {
			p.Add(chart.Dots(d.Time, values, chart.Dot(style.Color, 1.7)))
		}
	}
	var amplitudes, phases [][]float64
	for i, t := range d.Tones {
		style := chart.SeriesLine(i, 1)
		f.Legend = append(f.Legend, chart.LineEntry(t.Name, style))
		amplitudes, phases = append(amplitudes, t.Amplitude), append(phases, t.Phase)
		curve(amplitude, t.Amplitude, style)
		curve(phase, t.Phase, style)
	}
	low, high := chart.SpanOr(false, 0, 1, amplitudes...)
	if low > 0 && low < 0.7*high { // the axis starts at 0 unless all lies in a narrow band
		low = 0
	}
	scale, prefix := chart.Prefix(math.Max(math.Abs(high), 1e-15))
	amplitude.Y.Label.Text = "amplitude, peak (" + prefix + d.Unit + ")"
	amplitude.Y.Min, amplitude.Y.Max = chart.Widen(low, high, 0.06)
	amplitude.Y.Tick.Marker = chart.LinearTicks{Unit: scale, Count: 5}
	low, high = chart.SpanOr(false, 0, 1, phases...)
	phase.Y.Min, phase.Y.Max = chart.Widen(low, high, 0.06)
	phase.Y.Tick.Marker = chart.LinearTicks{Count: 5}
	chart.TimeAxis(amplitude, d.Time)
	chart.TimeAxis(phase, d.Time)
	f.Body = func(c draw.Canvas) { chart.Stack(c, []*plot.Plot{amplitude, phase}, []float64{1, 1}) }
	return f
}
