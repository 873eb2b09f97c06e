package trajectory

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels/rigid"
)

// Positions alone make a linear problem: filter and smoother then give what least
// squares over all states at once gives, by dense matrices. The first of them is
// conditioned by 1e12 (0.1 m against some 0.1 µm, 200 m/s² against mm/s²), which leaves
// double precision four digits at least.
func TestSmootherAgainstLeastSquares(t *testing.T) {
	const n, dt, q, bend = 6, 0.01, 5.0, 2e-6
	for _, m := range []Motion{ConstantAcceleration, ConstantVelocity} {
		rng := rand.New(rand.NewPCG(1, 9))
		free := m.free()
		tr := &tracker{options: Options{Motion: m, PositionNoise: q, RotationNoise: 1}}
		readings := make([]reading, n)
		for i := range readings {
			o := &readings[i]
			o.pose = rigid.Pose{Position: r3.Vec{X: 0.01 * float64(i)}, Rotation: rigid.Identity().Rotation}
			for a := range 6 {
				for b := a; b < 6; b++ {
					if b < 3 || a >= 3 { // rotations by themselves, and at rest
						o.root[a][b] = 1e4 * rng.NormFloat64()
					}
				}
				o.root[a][a] = 1e5
				if a < 3 {
					o.y[a] = rng.NormFloat64()
				}
			}
		}
		// all unknowns at once: information of the start, of the steps, of the readings
		total := n * free
		info, right := mat.NewDense(total, total, nil), mat.NewVecDense(total, nil)
		start := tr.vague(&readings[0])
		for k := range free {
			info.Set(k, k, 1/start.cov[k][k])
			if k < 3 {
				right.SetVec(k, []float64{start.x.pose.Position.X, start.x.pose.Position.Y, start.x.pose.Position.Z}[k]/start.cov[k][k])
			}
		}
		var noise, unit matrix
		m.addNoise(&noise, dt, q, 1, &rigid.Unit3)
		for i := range unit {
			unit[i][i] = 1
		}
		rest := motion{pose: rigid.Identity()}
		flow := rest.flow(dt)
		flow.apply(&unit)
		step, phi := mat.NewDense(free, free, nil), mat.NewDense(free, free, nil)
		for i := range free {
			for k := range free {
				step.Set(i, k, noise[i][k])
				phi.Set(i, k, unit[i][k])
			}
		}
		var inverse mat.Dense
		if err := inverse.Inverse(step); err != nil {
			if _, ok := err.(mat.Condition); !ok {
				t.Fatal(err)
			}
		}
		for i := range n {
			if i > 0 {
				both := mat.NewDense(free, 2*free, nil)
				var minus mat.Dense
				minus.Scale(-1, phi)
				both.Slice(0, free, 0, free).(*mat.Dense).Copy(&minus)
				for k := range free {
					both.Set(k, free+k, 1)
				}
				var half, whole mat.Dense
				half.Mul(&inverse, both)
				whole.Mul(both.T(), &half)
				block := info.Slice((i-1)*free, (i+1)*free, (i-1)*free, (i+1)*free).(*mat.Dense)
				block.Add(block, &whole)
			}
			o := &readings[i]
			for j := range 6 {
				row := mat.NewVecDense(free, nil)
				z := o.y[j]
				for k := j; k < 6; k++ {
					row.SetVec(k, o.root[j][k])
					if free == size {
						row.SetVec(12+k, bend*o.root[j][k])
					}
				}
				z += o.root[j][0] * o.pose.Position.X
				block := info.Slice(i*free, (i+1)*free, i*free, (i+1)*free).(*mat.Dense)
				var square mat.Dense
				square.Outer(1, row, row)
				block.Add(block, &square)
				for k := range free {
					right.SetVec(i*free+k, right.AtVec(i*free+k)+z*row.AtVec(k))
				}
			}
		}
		var covariance mat.Dense
		if err := covariance.Inverse(info); err != nil {
			if _, ok := err.(mat.Condition); !ok {
				t.Fatal(err)
			}
		}
		var want mat.VecDense
		want.MulVec(&covariance, right)

		steps := make([]kept, n)
		e := start
		for i := range n {
			if i > 0 {
				steps[i].flow = e.predict(dt, tr.noise)
				steps[i].predicted = e
			}
			e.absorb(&readings[i], bend, 1)
			steps[i].at = e
		}
		for i := n - 1; i >= 0; i-- {
			at := steps[i].at
			if i < n-1 {
				at.back(&steps[i+1].flow, &steps[i+1].predicted, &e, free)
			}
			e = at
			for k, v := range []float64{e.x.pose.Position.X, e.x.pose.Position.Y, e.x.pose.Position.Z} {
				at := i*free + k
				sigma := math.Sqrt(covariance.At(at, at))
				if math.Abs(v-want.AtVec(at)) > 1e-3*sigma {
					t.Errorf("motion %v, state %d: %.9g m, want %.9g, sigma %.2g", m, i, v, want.AtVec(at), sigma)
				}
				if s := math.Sqrt(e.cov[k][k]); math.Abs(s/sigma-1) > 1e-3 {
					t.Errorf("motion %v, state %d: sigma %.6g m, want %.6g", m, i, s, sigma)
				}
			}
		}
	}
}

// The inverse within the band against that of the dense matrix.
func TestInverseWithinTheBand(t *testing.T) {
	const n = 80
	rng := rand.New(rand.NewPCG(2, 2))
	b, dense := newBand(n), mat.NewSymDense(n, nil)
	for first := range n {
		row := make([]float64, columns)
		for k := range row {
			row[k] = rng.NormFloat64()
		}
		b.addSquare(first, row, 0.5)
		for p := first; p < min(n, first+columns); p++ {
			for q := p; q < min(n, first+columns); q++ {
				dense.SetSym(p, q, dense.At(p, q)+0.5*row[p-first]*row[q-first])
			}
		}
	}
	for i := range n {
		*b.at(i, i) += 1
		dense.SetSym(i, i, dense.At(i, i)+1)
	}
	u, ok := b.factor(0)
	if !ok {
		t.Fatal("not positive definite")
	}
	var want mat.Dense
	if err := want.Inverse(dense); err != nil {
		t.Fatal(err)
	}
	z := inverse(u)
	for i := range n {
		for j := i; j < min(n, i+columns); j++ {
			// Condition below 1e4, sums of 30 terms.
			if got := *z.at(j, i); math.Abs(got-want.At(i, j)) > 1e-10 {
				t.Fatalf("%d %d: %.12g, want %.12g", i, j, got, want.At(i, j))
			}
		}
	}
}

// A smoother's integrals against their closed forms: with A = 1/(1+x^p),
// ∫₀^∞ x^(pj)·A^k dx = Γ(j+1/p)·Γ(k−j−1/p)/(p·Γ(k)), the beta function (NIST Digital
// Library of Mathematical Functions, 5.12.3). A hop of a thirtieth of the span leaves
// out what lies beyond 30π: of A, whose tail is x^(1−p)/(p−1), 1e-6 at most.
func TestSpectrum(t *testing.T) {
	for _, order := range []int{4, 6} {
		s := spectrum{order, 1}
		const hop = 1. / 30
		p := float64(order)
		for _, c := range []struct {
			j, k int
			f    func(a float64) float64
		}{
			{0, 1, func(a float64) float64 { return a }},
			{0, 2, func(a float64) float64 { return a * a }},
			{2, 4, func(a float64) float64 { return a * a * (1 - a) * (1 - a) }},
			{3, 4, func(a float64) float64 { return a * (1 - a) * (1 - a) * (1 - a) }},
		} {
			want := math.Gamma(float64(c.j)+1/p) * math.Gamma(float64(c.k-c.j)-1/p) / (p * math.Gamma(float64(c.k)))
			got := s.mean(hop, func(a, _ float64) float64 { return c.f(a) }) * math.Pi / hop
			if math.Abs(got-want) > 1e-4*want {
				t.Errorf("order %d, A^%d: %.6f, want %.6f", order, c.k, got, want)
			}
		}
	}
}

// What a cubic spline leaves of white noise integrated thrice and twice, by drawing
// and fitting: 60 runs of 40 segments scatter by √(2/2400)/0.6 ≈ 5 %, neighbouring
// segments hanging together.
func TestUnfollowed(t *testing.T) {
	const segments, parts, runs = 40, 24, 60
	rng := rand.New(rand.NewPCG(3, 1))
	n := segments * parts
	c := newCurve(0, segments, 1)
	design := mat.NewDense(n, len(c.control), nil)
	for i := range n {
		segment, u := c.locate((float64(i) + 0.5) / parts)
		b, _ := basis(u)
		for j, v := range b {
			design.Set(i, segment+j, v)
		}
	}
	for _, m := range []Motion{ConstantAcceleration, ConstantVelocity} {
		sum := 0.0
		for range runs {
			var at [3]float64
			y := mat.NewVecDense(n, nil)
			for i := range n {
				// one step of the white noise, then the integrals
				at[2] += rng.NormFloat64() / math.Sqrt(parts)
				rate := at[2]
				if m == ConstantAcceleration {
					at[1] += at[2] / parts
					rate = at[1]
				}
				at[0] += rate / parts
				y.SetVec(i, at[0])
			}
			var fit, curve mat.VecDense
			if err := fit.SolveVec(design, y); err != nil {
				t.Fatal(err)
			}
			curve.MulVec(design, &fit)
			for i := 8 * parts; i < n-8*parts; i++ {
				d := y.AtVec(i) - curve.AtVec(i)
				sum += d * d / float64(runs*(n-16*parts))
			}
		}
		if ratio := sum / m.unfollowed(); math.Abs(ratio-1) > 0.2 {
			t.Errorf("motion %v: a spline leaves %.3g, want %.3g", m, sum, m.unfollowed())
		}
	}
}
