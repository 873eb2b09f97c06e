package fieldmodels

import (
	"math"
	"sync"

	"gonum.org/v1/gonum/integrate/quad"
)

// gaussLimit is the largest Gauss–Legendre rule in use; what needs more points
// is split, or has a closed form.
const gaussLimit = 16

// gaussRule holds nodes on −1..1 and weights that sum to 2.
type gaussRule struct{ x, w []float64 }

var gaussRules = sync.OnceValue(func() *[gaussLimit + 1]gaussRule {
	var rules [gaussLimit + 1]gaussRule
	for n := 1; n <= gaussLimit; n++ {
		r := gaussRule{make([]float64, n), make([]float64, n)}
		quad.Legendre{}.FixedLocations(r.x, r.w, -1, 1)
		rules[n] = r
	}
	return &rules
})

// gaussPoints returns how many Gauss–Legendre points integrate, to rounding, a
// function over u−half..u+half that is analytic but for the points v ± i·w; more
// than gaussLimit when they lie too close.
//
// With ϱ the sum of the half axes of the ellipse with foci ±1 through the
// nearest singular point, the error of n points is bounded by
// 64/15·max|f|·ϱ^(−2n)/(1−ϱ^(−2)) (Trefethen, Approximation Theory and
// Approximation Practice, 2013, thm 19.3), max|f| on any smaller ellipse; one
// point is added for what f grows by there.
func gaussPoints(u, half, v, w float64) int {
	if half == 0 {
		return 1
	}
	inv := 1 / half
	x, y := (v-u)*inv, w*inv
	return gaussPointsEllipse(0.5 * (math.Sqrt((x-1)*(x-1)+y*y) + math.Sqrt((x+1)*(x+1)+y*y)))
}

// gaussPointsEllipse is gaussPoints for the ellipse's longer half axis, (ϱ + 1/ϱ)/2: the
// least n > 1 with ϱ^(−2(n−1)) < 2⁻⁴⁹: with the point more that it has, the bound is
// 64/15·2⁻⁴⁹/ϱ², below 2e-15 from ϱ = 2 on.
func gaussPointsEllipse(axis float64) int {
	n := 2
	for n <= gaussLimit && axis < gaussEllipses[n] {
		n++
	}
	return n
}

// gaussEllipses are the least half axes for so many points: of ϱ = 2^(49/2(n−1)).
var gaussEllipses = func() (least [gaussLimit + 1]float64) {
	for n := 2; n <= gaussLimit; n++ {
		rho := math.Exp2(49 / float64(2*(n-1)))
		least[n] = (rho + 1/rho) / 2
	}
	return least
}()
