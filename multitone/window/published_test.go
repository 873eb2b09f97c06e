package window

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"
)

// published reads a table of testdata/published as one map a row; the source
// stands in the file's comment lines.
func published(t *testing.T, name string) []map[string]string {
	t.Helper()
	f, err := os.Open("../../testdata/published/" + name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	rows, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var out []map[string]string
	for _, row := range rows[1:] {
		m := map[string]string{}
		for i, h := range rows[0] {
			m[h] = row[i]
		}
		out = append(out, m)
	}
	if len(out) == 0 {
		t.Fatalf("%s is empty", name)
	}
	return out
}

// number parses a cell and returns half a unit in its last printed place.
func number(t *testing.T, cell string) (x, half float64) {
	t.Helper()
	x, err := strconv.ParseFloat(cell, 64)
	if err != nil {
		t.Fatal(err)
	}
	mantissa, exp, _ := strings.Cut(strings.ToLower(cell), "e")
	digits := 0
	if i := strings.IndexByte(mantissa, '.'); i >= 0 {
		digits = len(mantissa) - i - 1
	}
	e, _ := strconv.Atoi(exp)
	return x, 0.5 * math.Pow(10, float64(e-digits))
}

func near(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%s = %.10g, want %.10g ± %.2g", what, got, want, tol)
	}
}
