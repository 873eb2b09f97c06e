package chart

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// A curve and its decimated self reach the same extremes in every column.
func TestDecimateKeepsExtremes(t *testing.T) {
	random := rand.New(rand.NewPCG(1, 1))
	const n, columns = 5000, 50
	x, y := make([]float64, n), make([]float64, n)
	for i := range x {
		x[i] = columns * float64(i) / n
		y[i] = random.NormFloat64()
	}
	y[1234], y[4321] = math.NaN(), math.NaN()
	lines := decimate(x, y, 0, 1)
	if len(lines) != 3 {
		t.Errorf("%d lines from two gaps", len(lines))
	}
	kept := slices.Concat(lines...)
	if !slices.IsSorted(kept) || len(kept) > 4*(columns+2) {
		t.Errorf("%d points, in order: %v", len(kept), slices.IsSorted(kept))
	}
	extremes := func(points []int) (lo, hi [columns]float64) {
		for _, i := range points {
			if c := int(x[i]); !math.IsNaN(y[i]) {
				lo[c], hi[c] = min(lo[c], y[i]), max(hi[c], y[i])
			}
		}
		return lo, hi
	}
	all := make([]int, n)
	for i := range all {
		all[i] = i
	}
	lo, hi := extremes(all)
	klo, khi := extremes(kept)
	if lo != klo || hi != khi {
		t.Error("an extreme was lost")
	}
	if few := decimate([]float64{1, 2, 3}, []float64{4, 5, 6}, 0, 0.1); !cmp.Equal(few, [][]int{{0, 1, 2}}) {
		t.Errorf("sparse points: %v", few)
	}
}
