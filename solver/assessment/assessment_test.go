package assessment

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels/rigid"
)

// Errors drawn from the stated covariance are what the report calls honest:
// the mean of eᵀC⁻¹e/6 is 1 within 4·√(2/(6·n)), and 95 % of the positions lie
// within their ellipsoids, 4·√(0.95·0.05/n) either way.
func TestHonestErrorsLookHonest(t *testing.T) {
	const n = 2000
	rng := rand.New(rand.NewPCG(1, 2))
	var samples []Sample
	for range n {
		// a random covariance: A·Aᵀ with position in 1e-4 m, rotation in 1e-3 rad
		a := mat.NewDense(6, 6, nil)
		for i := range 6 {
			for j := range 6 {
				s := 1e-4
				if i >= 3 {
					s = 1e-3
				}
				a.Set(i, j, s*rng.NormFloat64())
			}
		}
		z := mat.NewVecDense(6, nil)
		for i := range 6 {
			z.SetVec(i, rng.NormFloat64())
		}
		var e mat.VecDense
		e.MulVec(a, z)
		var c mat.Dense
		c.Mul(a, a.T())
		var cov [6][6]float64
		for i := range 6 {
			for j := range 6 {
				cov[i][j] = c.At(i, j)
			}
		}
		truth := rigid.Pose{Position: r3.Vec{X: rng.Float64(), Y: rng.Float64(), Z: rng.Float64()},
			Rotation: rigid.Exp(r3.Vec{X: 3 * rng.Float64(), Y: rng.Float64(), Z: rng.Float64()})}
		estimate := truth.Plus(r3.Vec{X: e.AtVec(0), Y: e.AtVec(1), Z: e.AtVec(2)}, r3.Vec{X: e.AtVec(3), Y: e.AtVec(4), Z: e.AtVec(5)})
		samples = append(samples, Sample{Estimate: estimate, Truth: truth, Covariance: &cov})
	}
	r, _ := Summarise(samples)
	if d := math.Abs(r.NormalisedMean - 1); d > 4*math.Sqrt(2.0/(6*n)) {
		t.Errorf("normalised mean %.4f", r.NormalisedMean)
	}
	if d := math.Abs(r.Coverage95 - 0.95); d > 4*math.Sqrt(0.95*0.05/n) {
		t.Errorf("coverage %.4f", r.Coverage95)
	}
	if q := r.PositionRMS / r.PredictedPosition; math.Abs(q-1) > 0.1 {
		t.Errorf("position RMS is %.3f of the predicted", q)
	}
}

// The square of an error over its covariance, of the position and of the whole pose,
// is that by the inverse matrix; of a singular covariance there is none.
func TestNormalisedSquaresAgainstTheInverse(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 7))
	for range 20 {
		a, c := mat.NewDense(6, 6, nil), mat.NewDense(6, 6, nil)
		e := mat.NewVecDense(6, nil)
		for i := range 6 {
			unit := []float64{1e-5, 1e-3}[i/3] // metres and radians
			e.SetVec(i, unit*rng.NormFloat64())
			for j := range 6 {
				a.Set(i, j, unit*rng.NormFloat64())
			}
			a.Set(i, i, 3*unit)
		}
		c.Mul(a, a.T())
		var cov [6][6]float64
		for i := range 6 {
			copy(cov[i][:], c.RawRowView(i))
		}
		position, pose := mahalanobis(&cov, [6]float64(e.RawVector().Data))
		for n, got := range map[int]float64{3: position, 6: pose} {
			var inverse mat.Dense
			if err := inverse.Inverse(c.Slice(0, n, 0, n)); err != nil && inverse.IsEmpty() {
				t.Fatal(err)
			}
			part := e.SliceVec(0, n)
			// The unscaled matrix has a condition of up to 1e8, of units mostly.
			if want := mat.Inner(part, &inverse, part); math.Abs(got/want-1) > 1e-7 {
				t.Errorf("of %d components %.12g, want %.12g", n, got, want)
			}
		}
		cov[5] = cov[4]
		for i := range cov {
			cov[i][5] = cov[i][4]
		}
		if again, none := mahalanobis(&cov, [6]float64(e.RawVector().Data)); again != position || !math.IsNaN(none) {
			t.Errorf("of a singular covariance %g and %g, want %g and NaN", again, none, position)
		}
	}
}

// With one coil a turn about its axis is no error.
func TestTurnAboutTheBlindAxisIsNoError(t *testing.T) {
	axis := r3.Vec{Z: 1}
	truth := rigid.Pose{Rotation: rigid.Exp(r3.Vec{X: 0.3, Y: -0.2})}
	turned := rigid.Pose{Rotation: truth.Compose(rigid.Pose{Rotation: rigid.Exp(r3.Vec{Z: 1.7})}).Rotation}
	e := Of(Sample{Estimate: turned, Truth: truth, Axis: &axis})
	if r3.Norm(e.Rotation) > 1e-12 || e.Freedom != 5 {
		t.Errorf("error %v with %d degrees of freedom", e.Rotation, e.Freedom)
	}
	tilted := truth.Plus(r3.Vec{}, truth.Rotate(r3.Vec{X: 0.01}))
	if e := Of(Sample{Estimate: tilted, Truth: truth, Axis: &axis}); math.Abs(r3.Norm(e.Rotation)-0.01) > 1e-12 {
		t.Errorf("tilt of 0.01 rad reads %g", r3.Norm(e.Rotation))
	}
}

// Hyndman and Fan, The American Statistician 50(4), 1996, definition 7, by
// hand: for 1 2 3 4 the median is 2.5 and the 95th percentile 1 + 0.95·3.
func TestQuantiles(t *testing.T) {
	s := statisticsOf([]float64{4, 2, math.NaN(), 1, 3})
	if s[1] != 2.5 || math.Abs(s[2]-3.85) > 1e-12 || s[4] != 4 || math.Abs(s[0]-math.Sqrt(7.5)) > 1e-15 {
		t.Errorf("%g", s)
	}
}
