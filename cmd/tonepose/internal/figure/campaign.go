package figure

import (
	"math"
	"slices"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"tonepose/cmd/tonepose/internal/figure/chart"
	"tonepose/cmd/tonepose/internal/figure/colour"
)

// CampaignData is what many recordings are worth, in the order of At. The slices are of its
// length; NaN: no value.
type CampaignData struct {
	Title, Note string
	AtName      string // of At with its unit: "hours since the first" or "recording"

	At        []float64 // rising
	Sigma     []float64 // median stated rms length of the position's error [m]
	Estimated []float64 // median radius that holds 95 % of the positions, distortion included [m]
	TrueError []float64 // rms error of position against the truth [m]
	Flagged   []float64 // share of rows with a flag
	InDoubt   []float64 // share of rows in doubt
	Noise     []float64 // median sigma of phasors [V]
	Clock     []float64 // offset [ppm]
	Failed    []float64 // At of recordings that have no values
}

// Campaign draws accuracy, flags, noise and clock of many recordings below each other.
func Campaign(d CampaignData) *Figure {
	lo, hi := chart.SpanOr(true, 1e-6, 1e-3, d.Sigma, d.Estimated, d.TrueError)
	position := chart.LogPanel("position", "m", lo, hi, math.Sqrt(lo*hi))
	lo, hi = chart.SpanOr(true, 1e-6, 1e-3, d.Noise)
	noise := chart.LogPanel("noise", "V", lo, hi, math.Sqrt(lo*hi))
	shares, clock := chart.NewPlot("", "share of rows (%)"), chart.NewPlot(d.AtName, "clock (ppm)")
	shares.Y.Min, shares.Y.Max = -3, 103
	shares.Y.Tick.Marker = chart.LinearTicks{Count: 3}
	clock.Y.Min, clock.Y.Max = wider(chart.SpanOr(false, -1, 1, d.Clock))
	clock.Y.Tick.Marker = chart.LinearTicks{Count: 3}
	sigma, estimated := chart.Dot(colour.Ink, 1.7), draw.GlyphStyle{Color: colour.Alarm, Radius: 1.9, Shape: draw.RingGlyph{}}
	flagged, doubt := draw.GlyphStyle{Color: colour.Alarm, Radius: 2, Shape: draw.BoxGlyph{}}, draw.GlyphStyle{Color: colour.Alarm, Radius: 2, Shape: halfFilled{}}
	position.Add(chart.Dots(d.At, d.Estimated, estimated), chart.Dots(d.At, d.Sigma, sigma))
	legend := []chart.Entry{chart.GlyphEntry("sigma, median", sigma), chart.GlyphEntry("estimated error 95 %, median", estimated)}
	if slices.ContainsFunc(d.TrueError, func(v float64) bool { return !math.IsNaN(v) }) {
		against := draw.GlyphStyle{Color: colour.Blue, Radius: 2.2, Shape: draw.CrossGlyph{}}
		position.Add(chart.Dots(d.At, d.TrueError, against))
		legend = append(legend, chart.GlyphEntry("error against truth, rms", against))
	}
	shares.Add(chart.Dots(d.At, percent(d.InDoubt), doubt), chart.Dots(d.At, percent(d.Flagged), flagged))
	noise.Add(chart.Dots(d.At, d.Noise, sigma))
	clock.Add(chart.Dots(d.At, d.Clock, sigma))
	legend = append(legend, chart.GlyphEntry("flagged", flagged), chart.GlyphEntry("in doubt", doubt))
	panels := []*plot.Plot{position, shares, noise, clock}
	if len(d.Failed) > 0 {
		lost := chart.Dashed(colour.Alarm, 0.6)
		legend = append(legend, chart.LineEntry("failed", lost))
		for _, p := range panels {
			p.Add(chart.Drawing(func(c draw.Canvas, _ *plot.Plot, x, _ func(float64) vg.Length) {
				last := vg.Length(math.Inf(-1))
				for _, at := range d.Failed {
					if v := x(at); v-last >= chart.Pixel {
						c.StrokeLine2(lost, v, c.Min.Y, v, c.Max.Y)
						last = v
					}
				}
			}))
		}
	}
	for _, p := range panels {
		chart.TimeAxis(p, append(append([]float64(nil), d.At...), d.Failed...))
	}
	return &Figure{Width: 7.2 * vg.Inch, Height: 6.2 * vg.Inch, Title: d.Title, Note: d.Note, Legend: legend,
		Body: func(c draw.Canvas) { chart.Stack(c, panels, []float64{3, 2, 2, 2}) }}
}

func percent(shares []float64) (out []float64) {
	for _, v := range shares {
		out = append(out, 100*v)
	}
	return out
}

// wider leaves room about a span.
func wider(lo, hi float64) (float64, float64) { return chart.Widen(lo, hi, 0.08) }
