// Package figure draws results: plain slices in SI units go in, a Figure that
// writes itself as PNG, SVG or PDF comes out.
//
// Every figure keeps the same rules: units on the axes, colours that a
// colour-blind reader can tell apart, legends and labels outside the data or
// clear of it, and as many points as the paper can show. Package chart has what
// they share, package colour their colours.
package figure

import "tonepose/cmd/tonepose/internal/figure/chart"

// Figure is ready to be drawn, any number of times.
type Figure = chart.Figure
