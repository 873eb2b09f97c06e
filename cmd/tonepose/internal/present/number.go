package present

import (
	"math"
	"strconv"
	"strings"
)

// Number prints v to a number of significant digits without an exponent where
// a reader would not want one; "–" for NaN.
func Number(v float64, digits int) string {
	if math.IsNaN(v) {
		return "–"
	}
	if a := math.Abs(v); v == 0 || a >= 1e-4 && a < 1e6 {
		// Rounding comes first: 9.996 to three digits is 10.0, not 10.00.
		rounded, decimals := round(v, digits)
		return fixed(rounded, decimals)
	}
	return strconv.FormatFloat(v, 'g', digits, 64)
}

// round returns v to a number of significant digits, and the decimals that show
// them (negative: the last digit stands before the point).
func round(v float64, digits int) (rounded float64, decimals int) {
	rounded, _ = strconv.ParseFloat(strconv.FormatFloat(v, 'e', digits-1, 64), 64)
	decimals = digits - 1
	if rounded != 0 {
		decimals -= int(math.Floor(math.Log10(math.Abs(rounded)) + 1e-12))
	}
	return rounded, decimals
}

// fixed prints v to so many decimals; what rounds to zero has no sign.
func fixed(v float64, decimals int) string {
	if decimals < 0 {
		unit := math.Pow(10, float64(-decimals))
		v, decimals = math.Round(v/unit)*unit, 0
	}
	text := strconv.FormatFloat(v, 'f', decimals, 64)
	if strings.Trim(text, "-0.") == "" {
		text = strings.TrimPrefix(text, "-")
	}
	return text
}

// PlusMinus prints v ± sigma to the second significant digit of sigma (JCGM
// 100:2008, 7.2.6), or to the last that a float64 holds: 23.8 ± 7.7.
func PlusMinus(v, sigma float64) string {
	rounded, decimals := round(sigma, 2)
	if magnitude := math.Max(math.Abs(v), sigma); !(sigma > 0) || sigma < 1e-14*magnitude || magnitude >= 1e12 || math.IsInf(v, 0) || math.IsNaN(v) {
		return Number(v, 7) + " ± " + Number(sigma, 2)
	}
	return fixed(v, decimals) + " ± " + fixed(rounded, decimals)
}

// Estimate prints v ± sigma with the SI prefix that suits the larger of them, as
// (1.03 ± 0.14) µV; for units see Quantity.
func Estimate(v, sigma float64, unit string) string {
	factor, prefix := prefixOf(math.Max(math.Abs(v), sigma))
	return "(" + PlusMinus(v/factor, sigma/factor) + ") " + prefix + unit
}

var prefixes = [...]struct {
	factor float64
	name   string
}{{1e12, "T"}, {1e9, "G"}, {1e6, "M"}, {1e3, "k"}, {1, ""}, {1e-3, "m"}, {1e-6, "µ"}, {1e-9, "n"}, {1e-12, "p"}, {1e-15, "f"}}

// Quantity prints v, in SI units, to three significant digits with the SI
// prefix that suits it: 12.3 µm. Units that are no plain symbol (m², 1) take no
// prefix: print those with Number.
func Quantity(v float64, unit string) string {
	factor, prefix := prefixOf(v)
	return strings.TrimRight(Number(v/factor, 3)+" "+prefix+unit, " ")
}

// prefixOf returns the SI prefix that suits v to three significant digits; one
// for what is too small or no number.
func prefixOf(v float64) (factor float64, name string) {
	rounded, _ := round(v, 3)
	for _, p := range prefixes {
		if a := math.Abs(rounded); a >= p.factor*(1-1e-12) && !math.IsInf(a, 0) {
			return p.factor, p.name
		}
	}
	return 1, ""
}
