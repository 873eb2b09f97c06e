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
	amplitude, phase := chart.NewPlot("", "amplitude"), chart.NewPlot("time (s)", "phase, unwrapped (°)")
	var amplitudes, phases [][]float64
	var legend []chart.Entry
	for i, t := range d.Tones {
		style := chart.SeriesLine(i, 1)
		legend = append(legend, chart.LineEntry(t.Name, style))
		amplitudes, phases = append(amplitudes, t.Amplitude), append(phases, t.Phase)
		for _, p := range []struct {
			panel  *plot.Plot
			values []float64
		}{{amplitude, t.Amplitude}, {phase, t.Phase}} {
			p.panel.Add(chart.Curve(d.Time, p.values, style))
			if len(d.Time) <= fewRows {
				p.panel.Add(chart.Dots(d.Time, p.values, chart.Dot(style.Color, 1.7)))
			}
		}
	}
	for _, p := range []struct {
		panel  *plot.Plot
		values [][]float64
		zero   bool // the axis starts at 0 unless all lies in a narrow band
	}{{amplitude, amplitudes, true}, {phase, phases, false}} {
		chart.TimeAxis(p.panel, d.Time)
		low, high := chart.SpanOr(false, 0, 1, p.values...)
		if p.zero && low > 0 && low < 0.7*high {
			low = 0
		}
		p.panel.Y.Min, p.panel.Y.Max = chart.Widen(low, high, 0.06)
		p.panel.Y.Tick.Marker = chart.LinearTicks{Count: 5}
		if p.zero {
			scale, prefix := chart.Prefix(math.Max(math.Abs(high), 1e-15))
			p.panel.Y.Label.Text = "amplitude, peak (" + prefix + d.Unit + ")"
			p.panel.Y.Tick.Marker = chart.LinearTicks{Unit: scale, Count: 5}
		}
	}
	return &Figure{Width: 7.2 * vg.Inch, Height: 4.6 * vg.Inch, Title: d.Title, Note: d.Note, Legend: legend,
		Body: func(c draw.Canvas) { chart.Stack(c, []*plot.Plot{amplitude, phase}, []float64{1, 1}) }}
}
