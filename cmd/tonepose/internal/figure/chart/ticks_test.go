package chart

import (
	"math"
	"strings"
	"testing"

	"gonum.org/v1/plot"
)

func labelled(ticks []plot.Tick) (texts []string) {
	for _, t := range ticks {
		if t.Label != "" {
			texts = append(texts, t.Label)
		}
	}
	return texts
}

func TestTicks(t *testing.T) {
	for _, c := range []struct {
		ticker plot.Ticker
		lo, hi float64
		want   string
	}{
		{LinearTicks{}, 0, 1, "0.0|0.2|0.4|0.6|0.8|1.0"},
		{LinearTicks{}, -0.3, 0.3, "−0.2|0.0|0.2"},
		{LinearTicks{Unit: 1e-3}, -0.15, 0.1, "−150|−100|−50|0|50|100"},
		{LinearTicks{Count: 3}, 4.0001, 4.0004, "4.0001|4.0002|4.0003|4.0004"},
		{LinearTicks{Unit: 1e3, Count: 4}, 0, 50e3, "0|20|40"},
		{LinearTicks{}, 2, 2, ""},
		{LinearTicks{}, math.NaN(), 1, ""},
		{LogTicks{Unit: 1e-9}, 1e-9, 2e-6, "1|10|100|1000"},
		{LogTicks{Unit: 1e-6}, 1e-5, 1e-4, "10|20|50|100"},
		{LogTicks{}, 10, 50e3, "10|100|1000|10\u2009000"},
		{LogTicks{}, 0.01, 1, "0.01|0.02|0.05|0.1|0.2|0.5|1"},
		{LogTicks{Unit: 1e-3}, 1e-5, 1e-3, "0.01|0.02|0.05|0.1|0.2|0.5|1"},
		{LogTicks{}, 1e-7, 1e-4, "0.0000001|0.000001|0.00001|0.0001"},
		{LogTicks{}, 2.1, 3.9, "2.5|3.0|3.5"},
		{LogTicks{}, 0, 1, ""},
	} {
		ticks := c.ticker.Ticks(c.lo, c.hi)
		if have := strings.Join(labelled(ticks), "|"); have != c.want {
			t.Errorf("%#v from %g to %g: %s, want %s", c.ticker, c.lo, c.hi, have, c.want)
		}
		for _, tick := range ticks {
			// The library drops ticks beyond the range.
			if tick.Value < c.lo || tick.Value > c.hi {
				t.Errorf("%#v: tick %g outside %g to %g", c.ticker, tick.Value, c.lo, c.hi)
			}
		}
	}
}

// SI Brochure, 9th edition (2019), table 7.
func TestPrefixes(t *testing.T) {
	for v, want := range map[float64]string{1e-15: "f", 3e-12: "p", 1e-9: "n", 999e-9: "n", 1e-6: "µ", 0.02: "m", 1: "", 999: "", 1e3: "k", -2e6: "M", 5e9: "G", 1e13: "T"} {
		unit, have := Prefix(v)
		if have != want || math.Abs(v)/unit >= 1000 && have != "T" {
			t.Errorf("%g: %q, want %q", v, have, want)
		}
	}
	if unit, prefix := Prefix(0); unit != 1 || prefix != "" {
		t.Errorf("0: %g %q", unit, prefix)
	}
}

func TestNumbers(t *testing.T) {
	for _, c := range []struct{ have, want string }{
		{WithPrefix(2e-5, "m"), "20 µm"}, {WithPrefix(math.Pi/180, "rad"), "1.00°"}, {WithPrefix(math.Pi/18000, "rad"), "0.0100°"},
		{Number(-0.001, 2), "0.00"}, {Number(-0.006, 2), "−0.01"}, {Number(1200, 0), "1200"}, {Number(-1234567.8, 1), "−1\u2009234\u2009567.8"}, {Number(12345, 0), "12\u2009345"},
		{Significant(0.1234, 3), "0.12"}, {Significant(-12.34, 3), "−12.3"}, {Significant(999.9, 3), "1000"}, {Significant(0, 3), "0.00"},
	} {
		if c.have != c.want {
			t.Errorf("%q, want %q", c.have, c.want)
		}
	}
}

// Angles are shown in degrees, whatever their size; other quantities with a prefix.
func TestScale(t *testing.T) {
	for _, c := range []struct {
		shown float64
		unit  string
		want  string
		each  float64
	}{{2e-5, "m", "µm", 1e-6}, {2e-5, "rad", "°", math.Pi / 180}, {3, "rad", "°", math.Pi / 180}, {3e-5, "", "ppm", 1e-6}, {0.3, "", "", 1}} {
		if each, name := Scale(c.shown, c.unit); name != c.want || each != c.each {
			t.Errorf("%g %s: in %s of %g, want %s of %g", c.shown, c.unit, name, each, c.want, c.each)
		}
	}
}
