package window

import (
	"math"
	"strconv"
	"strings"
	"testing"

	"tonepose/testdata/published"
)

// printed returns the number in a cell and half a unit of its last printed place.
func printed(row published.Row, column string) (x, half float64) {
	mantissa, exp, _ := strings.Cut(strings.ToLower(row.Text(column)), "e")
	digits := 0
	if i := strings.IndexByte(mantissa, '.'); i >= 0 {
		digits = len(mantissa) - i - 1
	}
	e, _ := strconv.Atoi(exp)
	return row.Number(column), 0.5 * math.Pow(10, float64(e-digits))
}

func near(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%s = %.10g, want %.10g ± %.2g", what, got, want, tol)
	}
}
