package figure

import (
	"fmt"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/figure/chart"
	"tonepose/cmd/tonepose/internal/figure/colour"
)

// Every station has its dot and its number at its place, in every panel, on the line of
// their order; the sensor's axes point as they do.
func TestStations(t *testing.T) {
	d := StationData{Title: "Stations", Note: "invented data", Emitters: inventedBench(1, 0).Emitters, Min: r3.Vec{X: -0.17, Y: -0.17}, Max: r3.Vec{X: 0.17, Y: 0.17}}
	station := 0
	for _, p := range []StationPanel{
		{Name: "z = 50 mm, upright", Axes: [3]r3.Vec{{X: 1}, {Y: 1}, {Z: 1}}},
		{Name: "z = 200 mm, upright", Axes: [3]r3.Vec{{X: 1}, {Y: 1}, {Z: 1}}},
		{Name: "z = 50 mm, rotated 90° about x", Axes: [3]r3.Vec{{X: 1}, {Z: 1}, {Y: -1}}},
	} {
		for i := range 12 {
			x, y := i%4, i/4
			if y%2 == 1 {
				x = 3 - x
			}
			station++
			p.Number = append(p.Number, fmt.Sprint(station))
			p.Places = append(p.Places, r3.Vec{X: 0.08 * (float64(x) - 1.5), Y: 0.08 * (float64(y) - 1)})
		}
		d.Panels = append(d.Panels, p)
	}
	m := look(t, "stations", Stations(d))
	if n := m.dots(colour.Blue); n != 1+36 {
		t.Errorf("%d dots of 36 stations", n)
	}
	for i, p := range d.Panels {
		m.word(p.Name)
		x, y := m.across(i, "−100", "100", false), m.up(i, "−100", "100", false)
		for k, place := range p.Places {
			at, up := x.at(1e3*place.X), y.at(1e3*place.Y)
			if m.area(colour.Blue, at, up) == nil {
				t.Errorf("%s: no dot of station %s", p.Name, p.Number[k])
			}
			near := false
			for _, w := range m.find(p.Number[k]) {
				near = near || w.room.Min.X-6 < at && at < w.room.Max.X+6 && w.room.Min.Y-10 < up && up < w.room.Max.Y+10
			}
			if !near {
				t.Errorf("%s: station %s has no number beside it", p.Name, p.Number[k])
			}
			if k > 0 && !m.passes(colour.Band, (at+x.at(1e3*p.Places[k-1].X))/2, (up+y.at(1e3*p.Places[k-1].Y))/2) {
				t.Errorf("%s: no line to station %s", p.Name, p.Number[k])
			}
		}
	}
	// Each sketch has its three axes, in the order of the panels: x to the right of its foot; of
	// the upright sensors y is above x, of the one turned about x, z is below it.
	xs, ys, zs := m.find("x"), m.find("y"), m.find("z")
	if len(xs) != 3 || len(ys) != 3 || len(zs) != 3 {
		t.Fatalf("x is named %d times, y %d, z %d", len(xs), len(ys), len(zs))
	}
	for i, other := range []word{ys[0], ys[1], zs[2]} {
		x, o := chart.Centre(xs[i].room), chart.Centre(other.room)
		if up := o.Y - x.Y; x.X < o.X+10 || i < 2 && up < 10 || i == 2 && up > -10 {
			t.Errorf("panel %d: x at %v, %s at %v", i, x, other.text, o)
		}
	}
}
