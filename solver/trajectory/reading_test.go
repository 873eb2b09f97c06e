package trajectory

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels/rigid"
)

// A reading of couplings that share the noise of their references says what the inverse
// of their whole covariance says.
func TestReading(t *testing.T) {
	s := bench(t, 3)
	rng := rand.New(rand.NewPCG(2, 8))
	pose := rigid.Pose{Position: r3.Vec{Z: 0.15}, Rotation: rigid.Exp(r3.Vec{X: 1})}
	fr := observe(t, s, []motion{{pose: pose}}, 1, 1e-11, rng)[0]
	c := &fr.Couplings
	n := len(c.Value)
	c.Common = make([]float64, n/3)
	for e := range c.Common {
		c.Common[e] = 1e-4
	}
	const missing = 7
	c.Variance[missing], c.Value[missing] = math.Inf(1), math.NaN()
	mean, slopes := make([]float64, n), make([][6]float64, n)
	if err := s.Evaluate(pose, mean, slopes); err != nil {
		t.Fatal(err)
	}
	whole, rows, residual := mat.NewSymDense(n, nil), mat.NewDense(n, 6, nil), mat.NewVecDense(n, nil)
	for i := range n {
		if i == missing {
			whole.SetSym(i, i, 1)
			continue
		}
		own := c.Variance[i]
		c.Variance[i] += c.Common[i/3] * c.Value[i] * c.Value[i]
		for j := i - i%3; j <= i; j++ {
			v := c.Common[i/3] * mean[i] * mean[j]
			if i == j {
				v += own
			}
			if j != missing {
				whole.SetSym(i, j, v)
			}
		}
		rows.SetRow(i, slopes[i][:])
		residual.SetVec(i, c.Value[i]-mean[i])
	}
	var inverse, half, want mat.Dense
	if err := inverse.Inverse(whole); err != nil {
		if _, ok := err.(mat.Condition); !ok { // of the missing one's unit variance
			t.Fatal(err)
		}
	}
	half.Mul(rows.T(), &inverse)
	want.Mul(&half, rows)
	var pull mat.VecDense
	pull.MulVec(&half, residual)
	r := newReader(s, &Options{WindowKurtosis: 3})
	var o reading
	if err := r.at(&o, &fr, pose); err != nil {
		t.Fatal(err)
	}
	if o.used != n-1 {
		t.Errorf("%d couplings of %d", o.used, n-1)
	}
	square := o.rest
	for a := range 6 {
		square += o.y[a] * o.y[a]
		b := 0.0
		for j := range 6 {
			b += o.root[j][a] * o.y[j]
		}
		// Sums of 23 terms over matrices of condition 1e4 after scaling.
		if math.Abs(b-pull.AtVec(a)) > 1e-9*math.Sqrt(want.At(a, a)) {
			t.Errorf("right side %d is %.12g: want %.12g", a, b, pull.AtVec(a))
		}
		for k := range 6 {
			v := 0.0
			for j := range 6 {
				v += o.root[j][a] * o.root[j][k]
			}
			if math.Abs(v-want.At(a, k)) > 1e-10*math.Sqrt(want.At(a, a)*want.At(k, k)) {
				t.Errorf("information %d %d is %.12g: want %.12g", a, k, v, want.At(a, k))
			}
		}
	}
	if all := mat.Inner(residual, &inverse, residual); math.Abs(square-all) > 1e-9*all {
		t.Errorf("chi-square %.12g: want %.12g", square, all)
	}
}

// Before the first window that gives a pose nothing is known, and after a gap too long
// to follow all begins afresh: neither costs the windows in between.
func TestGaps(t *testing.T) {
	const dt, sigma = 5e-3, 3e-11
	s := bench(t, 3)
	rng := rand.New(rand.NewPCG(8, 8))
	path := wander(0.2, 1, rng)
	frames, rho := hann(t, s, path, 6, 10e-3, 50, sigma, rng)
	frames = append(frames[:150:150], frames[450:]...) // 3 s are missing
	for i := range 5 {
		for k := range frames[i].Couplings.Variance {
			frames[i].Couplings.Variance[k] = math.Inf(1)
		}
	}
	o := Options{Smooth: true, WindowSpread: 1.8076e-3, Correlation: rho, PositionNoise: 5, RotationNoise: 300}
	for name, join := range map[string]func() (*Track, error){
		"smooth": func() (*Track, error) { return Run(t.Context(), s, frames, o) },
		"spline": func() (*Track, error) { return Spline(t.Context(), s, frames, o) },
	} {
		track, err := join()
		if err != nil {
			t.Fatal(err)
		}
		var all score
		for i := range track.States {
			st := &track.States[i]
			if st.Unknown != (i < 5) || !st.Unknown && st.Passed {
				t.Fatalf("%s: window %d: unknown %v, passed over %v", name, i, st.Unknown, st.Passed)
			}
			if !st.Unknown {
				all.add(st, path(st.Time))
			}
		}
		// Some 100 independent poses: 1 ± 4·√(2/600) above; smoother than white jerk, the
		// motion may do with less.
		if e := all.normal / float64(all.n); e < 0.7 || e > 1.23 {
			t.Errorf("%s: normalised error %.3f", name, e)
		}
	}
}
