package assessment

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels/rigid"
)

// A bench that is sheared, and a sensor whose origin is off, are told apart and
// found again; pure noise shows no trend.
func TestTrends(t *testing.T) {
	rng := rand.New(rand.NewPCG(10, 10))
	const n, sigma = 60, 1e-5
	vec := func(s float64) r3.Vec {
		return r3.Vec{X: s * rng.NormFloat64(), Y: s * rng.NormFloat64(), Z: s * rng.NormFloat64()}
	}
	offset := r3.Vec{X: 2e-4, Y: -1e-4, Z: 3e-4}
	var noise, sheared, off []Sample
	for range n {
		p := rigid.Pose{Position: vec(0.05), Rotation: rigid.Exp(vec(1))}
		noise = append(noise, Sample{Truth: p, Estimate: p.Plus(vec(sigma), r3.Vec{})})
		shear := r3.Vec{X: 0.004 * p.Position.Y}
		sheared = append(sheared, Sample{Truth: p, Estimate: p.Plus(r3.Add(shear, vec(sigma)), r3.Vec{})})
		off = append(off, Sample{Truth: p, Estimate: p.Plus(r3.Add(p.Rotate(offset), vec(sigma)), r3.Vec{})})
	}
	r, _ := Summarise(noise)
	// Nine of 177 degrees of freedom explain 0 ± √(2·9)/177 of noise, adjusted.
	if s := r.Trends.ByPlace.Share; math.Abs(s) > 4*math.Sqrt(18)/177 {
		t.Errorf("noise goes with the place by %.3f", s)
	}
	r, _ = Summarise(sheared)
	// A slope over places of 0.05 m spread: sigma/(0.05·√60).
	tolerance := 5 * sigma / (0.05 * math.Sqrt(n))
	if g := r.Trends.ByPlace.Gradient; math.Abs(g[0][1]-0.004) > tolerance || math.Abs(g[1][0]) > tolerance || r.Trends.ByPlace.Share < 0.9 {
		t.Errorf("gradient %v, share %.3f", g, r.Trends.ByPlace.Share)
	}
	r, _ = Summarise(off)
	for k, want := range [3]float64{offset.X, offset.Y, offset.Z} {
		if d := math.Abs(r.Trends.ByAttitude.Offset[k] - want); d > 5*sigma/math.Sqrt(n/2) {
			t.Errorf("offset[%d] off by %g m", k, d)
		}
		if d := math.Abs(r.BodyBias[k] - want); d > 5*sigma/math.Sqrt(n) {
			t.Errorf("body bias[%d] off by %g m", k, d)
		}
	}
	if r.Trends.ByAttitude.Share < 0.9 {
		t.Errorf("share by attitude %.3f", r.Trends.ByAttitude.Share)
	}
}

// A fit taken row by row is that of the whole matrix.
func TestFitRowByRow(t *testing.T) {
	rng := rand.New(rand.NewPCG(11, 11))
	for _, rows := range []int{6, 256, 257, 2000} {
		const columns = 5
		f, a, e := newFit(columns), mat.NewDense(rows, columns, nil), mat.NewVecDense(rows, nil)
		for i := range rows {
			e.SetVec(i, rng.NormFloat64())
			row := f.next(e.AtVec(i))
			for k := range row {
				a.Set(i, k, rng.NormFloat64())
				row[k] = a.At(i, k)
			}
		}
		x, left, ok := f.solve()
		var want, rest mat.VecDense
		if err := want.SolveVec(a, e); err != nil || !ok {
			t.Fatal(ok, err)
		}
		// Gaussian columns have a condition of a few, of six rows some ten.
		for k := range x {
			if math.Abs(x[k]-want.AtVec(k)) > 1e-12 {
				t.Errorf("%d rows: x[%d] = %.15g, want %.15g", rows, k, x[k], want.AtVec(k))
			}
		}
		rest.MulVec(a, &want)
		rest.SubVec(e, &rest)
		if w := mat.Dot(&rest, &rest) / float64(rows-columns); math.Abs(left/w-1) > 1e-11 {
			t.Errorf("%d rows leave %.15g, want %.15g", rows, left, w)
		}
	}
	alike := newFit(2)
	for range 600 {
		row := alike.next(1)
		row[0], row[1] = 1, 0.1
	}
	if _, _, ok := alike.solve(); ok {
		t.Error("equal columns have a solution")
	}
}
