package chart

import (
	"cmp"
	"math"
	"slices"
	"strconv"
	"strings"

	"gonum.org/v1/plot"
)

// LinearTicks has about count ticks at multiples of 1, 2 or 5 times a power of
// ten of value/unit: data stay in SI, labels count in units of unit.
type LinearTicks struct {
	Unit  float64 // 1e-3: labels in thousandths; 0: 1
	Count int     // 0: 5
}

// Ticks implements plot.Ticker.
func (t LinearTicks) Ticks(lo, hi float64) []plot.Tick {
	unit, count := cmp.Or(t.Unit, 1), cmp.Or(t.Count, 5)
	lo, hi = lo/unit, hi/unit
	step := NiceStep((hi - lo) / float64(count))
	if !(step > 0) || math.IsInf(step, 0) {
		return nil
	}
	decimals := max(0, -int(math.Floor(math.Log10(step)+1e-9)))
	var ticks []plot.Tick
	// A tick that is just outside by rounding still belongs to the range.
	for k := math.Ceil(lo/step - 1e-9); k <= math.Floor(hi/step+1e-9); k++ {
		v := min(max(k*step*unit, lo*unit), hi*unit)
		ticks = append(ticks, plot.Tick{Value: v, Label: Number(k*step, decimals)})
	}
	return ticks
}

// NiceStep is the smallest of 1, 2, 5 · 10ⁿ that is not below rough.
func NiceStep(rough float64) float64 {
	power := math.Pow(10, math.Floor(math.Log10(rough)))
	for _, m := range []float64{1, 2, 5} {
		if m*power >= rough*(1-1e-9) {
			return m * power
		}
	}
	return 10 * power
}

// Number prints with a true minus sign, without a negative zero, and with thin spaces
// between the thousands of five digits and more.
func Number(v float64, decimals int) string {
	text, negative := strings.CutPrefix(strconv.FormatFloat(v, 'f', decimals, 64), "-")
	whole, _, _ := strings.Cut(text, ".")
	if len(whole) > 4 {
		for i := len(whole) - 3; i > 0; i -= 3 {
			text = text[:i] + "\u2009" + text[i:]
		}
	}
	if negative && strings.Trim(text, "0.") != "" {
		return "−" + text
	}
	return text
}

// LogTicks marks decades, and 2 and 5 in between where there are few, with plain
// numbers: the axis' label names the unit, with its prefix.
type LogTicks struct {
	Unit float64 // labels count in units of unit; 0: 1
}

// Ticks implements plot.Ticker.
func (t LogTicks) Ticks(lo, hi float64) []plot.Tick {
	if !(lo > 0) || !(hi > lo) || math.IsInf(hi, 0) {
		return nil
	}
	unit := cmp.Or(t.Unit, 1)
	decades := math.Log10(hi / lo)
	if decades < 0.7 {
		return LinearTicks{Unit: unit}.Ticks(lo, hi)
	}
	labelled := []float64{1}
	if decades < 2.2 {
		labelled = []float64{1, 2, 5}
	}
	every := int(math.Ceil(decades / 8))
	var ticks []plot.Tick
	for n := int(math.Floor(math.Log10(lo/unit) - 1e-9)); n <= int(math.Ceil(math.Log10(hi/unit))); n++ {
		for m := 1.0; m < 10; m++ {
			// Parsed, 1e-5 is exact; math.Pow(10, -5) is not.
			v, _ := strconv.ParseFloat(strconv.Itoa(int(m))+"e"+strconv.Itoa(n), 64)
			if v*unit < lo*(1-1e-9) || v*unit > hi*(1+1e-9) {
				continue
			}
			tick := plot.Tick{Value: min(max(v*unit, lo), hi)} // rounded, it may be just outside
			if n%every == 0 && slices.Contains(labelled, m) {
				tick.Label = Number(v, max(0, -n))
			}
			if tick.Label != "" || decades <= 6 {
				ticks = append(ticks, tick)
			}
		}
	}
	return ticks
}

// Prefix returns the SI prefix, and its factor, that brings v between 1
// and 1000. Beyond femto and tera there is none.
func Prefix(v float64) (unit float64, prefix string) {
	v = math.Abs(v) * (1 + 1e-12)
	for _, p := range [...]struct {
		unit   float64
		prefix string
	}{{1e12, "T"}, {1e9, "G"}, {1e6, "M"}, {1e3, "k"}, {1, ""}, {1e-3, "m"}, {1e-6, "µ"}, {1e-9, "n"}, {1e-12, "p"}, {1e-15, "f"}} {
		if v >= p.unit {
			return p.unit, p.prefix
		}
	}
	return 1, ""
}

// Scale is what labels of quantities of a unit, about as large as shown, count in, and
// its name: the unit with the SI prefix that suits, degrees for radians, and of small
// numbers without a unit, parts per million.
func Scale(shown float64, unit string) (factor float64, name string) {
	switch {
	case unit == "rad":
		return math.Pi / 180, "°"
	case unit == "" && math.Abs(shown) < 1e-3 && shown != 0:
		return 1e-6, "ppm"
	case unit == "":
		return 1, ""
	}
	factor, prefix := Prefix(shown)
	return factor, prefix + unit
}

// In is a quantity with the name of the unit that it is shown in.
func In(quantity, unit string) string {
	if unit == "" {
		return quantity
	}
	return quantity + " (" + unit + ")"
}

// Significant prints v, of magnitude up to 1000, to digits significant digits,
// but never finer than a thousandth.
func Significant(v float64, digits int) string {
	before := 1
	if v != 0 {
		before = max(1, int(math.Floor(math.Log10(math.Abs(v))+1e-9))+1)
	}
	return Number(v, max(0, digits-before))
}

// WithPrefix prints a quantity to three digits with its SI prefix; an angle in degrees.
func WithPrefix(v float64, unit string) string {
	if unit == "rad" {
		v *= 180 / math.Pi
		return Number(v, max(0, 2-int(math.Floor(math.Log10(math.Abs(v))+1e-9)))) + "°"
	}
	scale, prefix := Prefix(v)
	text := Significant(v/scale, 3)
	if strings.Contains(text, ".") {
		text = strings.TrimRight(strings.TrimRight(text, "0"), ".")
	}
	return text + " " + prefix + unit
}
