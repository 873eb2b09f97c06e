package figure

import (
	"cmp"
	"image/color"
	"math"
	"slices"
	"strings"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"tonepose/cmd/tonepose/internal/figure/chart"
	"tonepose/cmd/tonepose/internal/figure/colour"
)

// DemodulationData is amplitude and phase of one or more tones against time.
type DemodulationData struct {
	Title, Note string

	Time     []float64 // rising [s]
	Quantity string    // of the amplitudes; empty: "amplitude, peak"
	Unit     string    // of the amplitudes: "V"; empty: a share
	Tones    []ToneSeries
}

// ToneSeries is one tone; its slices have Time's length, NaN is a gap.
type ToneSeries struct {
	Name      string
	Amplitude []float64 // peak
	Phase     []float64 // unwrapped [°]
	// One standard deviation of each, drawn as a band of ±1; nil: none.
	Sigma, SigmaPhase []float64
}

// A series of few points shows each of them.
const fewRows = 80

// Demodulation draws amplitudes above unwrapped phases.
func Demodulation(d DemodulationData) *Figure {
	f := &Figure{Width: 7.2 * vg.Inch, Height: 4.6 * vg.Inch, Title: d.Title, Note: d.Note}
	banded := false
	amplitude, phase := chart.NewPlot("", ""), chart.NewPlot("time (s)", "phase, unwrapped (°)")
	curve := func(p *plot.Plot, values, sigma []float64, style draw.LineStyle) {
		if sigma != nil {
			p.Add(band(d.Time, values, sigma, bandOf(style.Color)))
			banded = true
		}
		p.Add(chart.Curve(d.Time, values, style))
		if len(d.Time) <= fewRows {
			p.Add(chart.Dots(d.Time, values, chart.Dot(style.Color, 1.7)))
		}
	}
	var amplitudes, phases [][]float64
	gaps := false
	for i, t := range d.Tones {
		style := chart.SeriesLine(i, 1)
		f.Legend = append(f.Legend, chart.LineEntry(t.Name, style))
		gaps = gaps || slices.ContainsFunc(t.Phase, math.IsNaN)
		amplitudes = append(amplitudes, t.Amplitude, reached(t.Amplitude, t.Sigma, -1), reached(t.Amplitude, t.Sigma, 1))
		phases = append(phases, t.Phase, reached(t.Phase, t.SigmaPhase, -1), reached(t.Phase, t.SigmaPhase, 1))
		curve(amplitude, t.Amplitude, t.Sigma, style)
		curve(phase, t.Phase, t.SigmaPhase, style)
	}
	if banded {
		f.Legend = append(f.Legend, chart.AreaEntry("±1 sigma", bandOf(colour.Blue)))
	}
	if gaps {
		f.Note = strings.TrimPrefix(f.Note+"; gaps in the phase: the signal is lost in noise there", "; ")
	}
	low, high := chart.SpanOr(false, 0, 1, amplitudes...)
	if low > 0 && low < 0.7*high { // the axis starts at 0 unless all lies in a narrow band
		low = 0
	}
	scale, name := chart.Scale(math.Max(math.Abs(high), 1e-15), d.Unit)
	amplitude.Y.Label.Text = chart.In(cmp.Or(d.Quantity, "amplitude, peak"), name)
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

// band fills ±1 sigma about values, at most a strip a printed dot; a value or a sigma
// that is none leaves it open.
func band(time, values, sigma []float64, ink color.Color) chart.Drawing {
	return func(c draw.Canvas, _ *plot.Plot, x, y func(float64) vg.Length) {
		var low, high []vg.Point
		end := func() {
			if len(low) > 1 {
				slices.Reverse(low)
				c.FillPolygon(ink, c.ClipPolygonXY(append(high, low...)))
			}
			low, high = nil, nil
		}
		for i, t := range time {
			v, s := values[i], sigma[i]
			if math.IsNaN(v+s) || math.IsInf(v+s, 0) {
				end()
				continue
			}
			at := x(t)
			if n := len(low); n > 0 && at-low[n-1].X < chart.Pixel { // one strip: the wider bounds
				low[n-1].Y, high[n-1].Y = min(low[n-1].Y, y(v-s)), max(high[n-1].Y, y(v+s))
				continue
			}
			low, high = append(low, vg.Point{X: at, Y: y(v - s)}), append(high, vg.Point{X: at, Y: y(v + s)})
		}
		end()
	}
}

// bandOf is the ink of a band about a line.
func bandOf(line color.Color) color.NRGBA { return colour.Mix(colour.Pale(line), colour.White, 0.45) }

// reached are values with so many sigmas added; nil without sigmas.
func reached(values, sigma []float64, sigmas float64) (out []float64) {
	for i, s := range sigma {
		out = append(out, values[i]+sigmas*s)
	}
	return out
}
