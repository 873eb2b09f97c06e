package integrity

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/mat"
)

// Coefficients and standard deviations against the normal equations, with a
// column among them that depends on others and must count for nothing.
func TestBasisFitsLikeNormalEquations(t *testing.T) {
	const n, k = 20, 5
	r := rand.New(rand.NewPCG(41, 1))
	columns := make([][]float64, k)
	a := mat.NewDense(n, k, nil)
	for j := range columns {
		columns[j] = make([]float64, n)
		for i := range columns[j] {
			columns[j][i] = math.Pow(10, float64(j)) * r.NormFloat64()
			a.Set(i, j, columns[j][i])
		}
	}
	v := make([]float64, n)
	for i := range v {
		v[i] = r.NormFloat64()
	}
	var b basis
	b.init(n, k+1)
	for range 2 { // the second time over what the first left
		b.reset()
		for j, c := range columns {
			b.add(c)
			if j == 1 {
				both := make([]float64, n)
				floats.AddScaled(both, 2, columns[0])
				floats.AddScaled(both, -3, columns[1])
				if b.add(both) {
					t.Error("a dependent column counts")
				}
			}
		}
	}
	value, sigma := b.fit(v)
	var normal, inverse, right, want mat.Dense
	normal.Mul(a.T(), a)
	if err := inverse.Inverse(&normal); err != nil {
		t.Fatal(err)
	}
	right.Mul(a.T(), mat.NewDense(n, 1, v))
	want.Mul(&inverse, &right)
	for j := range k {
		at := j
		if j > 1 {
			at++
		}
		// The normal matrix of columns of sizes 1 to 1e4 has a condition of 1e8
		// and more, which leaves seven digits of sixteen.
		s := math.Sqrt(inverse.At(j, j))
		if math.Abs(value[at]-want.At(j, 0)) > 1e-7*s || math.Abs(sigma[at]-s) > 1e-7*s {
			t.Errorf("column %d: %g ± %g, want %g ± %g", j, value[at], sigma[at], want.At(j, 0), s)
		}
	}
	if value[2] != 0 || !math.IsInf(sigma[2], 1) {
		t.Errorf("dependent column: %g ± %g", value[2], sigma[2])
	}
	b.clean(v)
	for j, c := range columns {
		if d := math.Abs(floats.Dot(c, v)); d > 1e-13*norm(c)*norm(v)*n {
			t.Errorf("column %d is left in what was cleaned: %g", j, d)
		}
	}
}

// No verdict on a frame without doubt allocates.
func TestVerdictDoesNotAllocate(t *testing.T) {
	s := newBench(t)
	x := New(s)
	r := rand.New(rand.NewPCG(1, 1))
	pose := randomPose(r)
	o := observe(s, pose, r, nil)
	fit := s.Warm(o.Couplings, pose)
	if n := testing.AllocsPerRun(100, func() {
		if _, err := x.Verdict(&o, &fit, false); err != nil {
			t.Fatal(err)
		}
	}); n != 0 {
		t.Errorf("%g allocations", n)
	}
}
