package assess

import (
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"
)

// The covariance of an error after a fit, against the direct sum over the fit of
// many points: residuals of n equal points keep 1 − 6/(3n) of their variance on
// average.
func TestAfterFitKeepsTheDegreesOfFreedom(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	const n, sigma = 8, 1e-4
	normal := mat.NewSymDense(6, nil)
	var rows []*mat.Dense
	for range n {
		p := r3.Vec{X: rng.NormFloat64(), Y: rng.NormFloat64(), Z: rng.NormFloat64()}
		j := mat.NewDense(6, 6, nil)
		for k := range 6 {
			j.Set(k, k, 1)
		}
		j.Set(0, 4, p.Z)
		j.Set(0, 5, -p.Y)
		j.Set(1, 3, -p.Z)
		j.Set(1, 5, p.X)
		j.Set(2, 3, p.Y)
		j.Set(2, 4, -p.X)
		rows = append(rows, j)
		position := j.Slice(0, 3, 0, 6)
		var square mat.Dense
		square.Mul(position.T(), position)
		for a := range 6 {
			for b := range a + 1 {
				normal.SetSym(a, b, normal.At(a, b)+square.At(a, b)/(sigma*sigma))
			}
		}
	}
	var chol mat.Cholesky
	if !chol.Factorize(normal) {
		t.Fatal("points on a line")
	}
	var k mat.SymDense
	if err := chol.InverseTo(&k); err != nil {
		t.Fatal(err)
	}
	var c [6][6]float64
	for i := range 3 {
		c[i][i], c[3+i][3+i] = sigma*sigma, 1e-6
	}
	var left, right float64
	for _, j := range rows {
		after := afterFit(&c, j, &k, true, true)
		right += 3
		for i := range 3 {
			left += after[i][i] / (sigma * sigma)
		}
		other := afterFit(&c, j, &k, false, true)
		if other[0][0] <= c[0][0] {
			t.Error("a fit adds to the error of a pose that took no part")
		}
		// Rotations were not fitted: the frame's own uncertainty comes on top.
		if after[3][3] <= c[3][3] {
			t.Errorf("a rotation's variance fell from %g to %g", c[3][3], after[3][3])
		}
	}
	if math.Abs(right-left-6) > 1e-9 {
		t.Errorf("a fit of 6 numbers took %.6f degrees of freedom", right-left)
	}
}

// Covariances that are none are refused with the row that is wrong.
func TestTransformRefusesBadCovariances(t *testing.T) {
	six := func(last string) string {
		rows := "[1e-8, 0, 0, 0, 0, 0], [0, 1, 0, 0, 0, 0], [0, 0, 1, 0, 0, 0], [0, 0, 0, 1, 0, 0], [0, 0, 0, 0, 1, 0], "
		return `{"frame": {"position_m": [0, 0, 0], "quaternion": [1, 0, 0, 0]}, "covariance": [` + rows + last + "]}"
	}
	name := filepath.Join(t.TempDir(), "transform.json")
	for last, want := range map[string]string{
		"[0, 0, 0, 0, 0, 1]":      "",
		"[]":                      "row 6 has 0 numbers: must be 6",
		"[0, 0, 0, 0, 0, 1], [0]": "7 rows: must be 6 or 12",
		"[1, 0, 0, 0, 0, 1]":      "row 6, column 1 = 1: must be symmetric",
		"[0, 0, 0, 0, 0, -1]":     "row 6, column 6 = -1: must be symmetric, without negative variances",
	} {
		if err := os.WriteFile(name, []byte(six(last)), 0o644); err != nil {
			t.Fatal(err)
		}
		if _, err := ReadTransform(name); want == "" && err != nil || want != "" && (err == nil || !strings.Contains(err.Error(), want)) {
			t.Errorf("%s: error %v, want %q", last, err, want)
		}
	}
}

// A transform that is none is refused with the line and what should stand there.
func TestTransformNamesPlaceAndMend(t *testing.T) {
	name := filepath.Join(t.TempDir(), "transform.json")
	for text, want := range map[string]string{
		"":                            ":1: the JSON ends too early",
		"{\n \"frame\": {\n":          ":3: the JSON ends too early",
		"{\n \"frame\" {}\n}\n":       ":2: not JSON: ",
		"\xff\xfe{\x00}\x00":          ":1: not JSON: ",
		"[1, 2]\n":                    ":1: is a JSON array",
		"{\n\n \"frame\": \"there\"}": ":3: frame is a JSON string",
		"{\n \"fame\": {}\n}":         `: unknown field "fame"`,
		"{}":                          "frame: must be ",
	} {
		if err := os.WriteFile(name, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		_, err := ReadTransform(name)
		if err == nil || !strings.Contains(err.Error(), name+want) && text != "{}" || !strings.Contains(err.Error(), `{"position_m": [x, y, z], "quaternion": [w, x, y, z]}`) {
			t.Errorf("%q: error %v, want %q and what a transform is", text, err, want)
		}
	}
}
