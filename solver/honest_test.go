package solver

import (
	"fmt"
	"math"
	"math/rand/v2"
	"sort"
	"testing"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"
	"gonum.org/v1/gonum/stat/distuv"

	"tonepose/fieldmodels/rigid"
)

// deviation returns truth − estimate: position, and δ with q_true = exp(δ/2)·q;
// for five degrees of freedom the tilt that carries the estimated axis to the
// true one.
func deviation(s *Solver, truth, estimate rigid.Pose) (e [6]float64) {
	d := r3.Sub(truth.Position, estimate.Position)
	e[0], e[1], e[2] = d.X, d.Y, d.Z
	q := quat.Mul(truth.Rotation, quat.Conj(estimate.Rotation))
	if s.rig.axial {
		q = between(estimate.Rotate(s.rig.axis), truth.Rotate(s.rig.axis))
	}
	if q.Real < 0 {
		q = quat.Scale(-1, q)
	}
	l := quat.Log(q)
	e[3], e[4], e[5] = 2*l.Imag, 2*l.Jmag, 2*l.Kmag
	return e
}

// mahalanobis returns eᵀC⁺e; C has rank 5 for five degrees of freedom, zero
// about the axis.
func mahalanobis(t *testing.T, s *Solver, c *[6][6]float64, e *[6]float64) float64 {
	m := mat.NewSymDense(6, nil)
	// Scaled to a unit diagonal: metres and radians have no common measure.
	var scale [6]float64
	for i := range 6 {
		scale[i] = 1 / math.Sqrt(c[i][i])
	}
	for i := range 6 {
		for j := i; j < 6; j++ {
			m.SetSym(i, j, c[i][j]*scale[i]*scale[j])
		}
	}
	var eig mat.EigenSym
	if !eig.Factorize(m, true) {
		t.Fatalf("no eigenvalues of covariance %v", *c)
	}
	var v mat.Dense
	eig.VectorsTo(&v)
	sum := 0.0
	for k, l := range eig.Values(nil) {
		if k == 0 && s.rig.axial {
			continue
		}
		p := 0.0
		for i := range 6 {
			p += v.At(i, k) * e[i] * scale[i]
		}
		sum += p * p / l
	}
	return sum
}

// bound returns eᵀC⁻¹e with C the Cramér–Rao bound at the true pose, JᵀJ/σ² its
// inverse.
func bound(t *testing.T, s *Solver, truth rigid.Pose, sigma float64, e *[6]float64) float64 {
	n := len(s.rig.sources) * len(s.rig.pickups)
	jac := make([][6]float64, n)
	if err := s.Evaluate(truth, nil, jac); err != nil {
		t.Fatal(err)
	}
	sum := 0.0
	for i := range jac {
		v := 0.0
		for k := range e {
			v += jac[i][k] * e[k]
		}
		sum += v * v
	}
	return sum / (sigma * sigma)
}

// kolmogorov returns the p-value of the largest distance between the sample's
// distribution and the uniform one (asymptotic series with Stephens' factor,
// Journal of the Royal Statistical Society B 32, 1970).
func kolmogorov(u []float64) float64 {
	sort.Float64s(u)
	n := float64(len(u))
	d := 0.0
	for i, v := range u {
		d = math.Max(d, math.Max(v-float64(i)/n, float64(i+1)/n-v))
	}
	l := d * (math.Sqrt(n) + 0.12 + 0.11/math.Sqrt(n))
	p := 0.0
	for k := 1; k < 100; k++ {
		p += 2 * math.Pow(-1, float64(k-1)) * math.Exp(-2*float64(k*k)*l*l)
	}
	return math.Min(1, p)
}

// Errors against the stated covariance, and against the Cramér–Rao bound at the
// truth, over random poses and noise: their mean square over the degrees of freedom, the share inside the 95 % region and
// the distribution of chi-square. With n poses and f degrees of freedom
// the root of the mean has a standard deviation of 1/√(2nf) and the share one of
// √(0.95·0.05/n): 0.0046 and 0.49 % for n = 2000 and f = 6. The bounds are those
// of four such deviations, and of p > 1e-3 once per case.
func TestHonest(t *testing.T) {
	for _, c := range []struct{ emitters, dof int }{{8, 6}, {8, 5}, {12, 6}} {
		t.Run(fmt.Sprintf("emitters=%d/dof=%d", c.emitters, c.dof), func(t *testing.T) {
			p, sigma := bench(t, c.emitters, c.dof)
			s, err := New(p, Options{})
			if err != nil {
				t.Fatal(err)
			}
			r := rand.New(rand.NewPCG(77, uint64(c.emitters+c.dof)))
			f := float64(c.dof)
			inner := distuv.ChiSquared{K: f}
			limit := inner.Quantile(0.95)
			var sum, sumBound float64
			inside := 0
			var u []float64
			n := honestPoses
			flagged := 0
			for range honestPoses {
				pose := rigid.Pose{Position: randomIn(r, p.Volume), Rotation: randomQuat(r)}
				res := s.Cold(observe(t, s, pose, sigma, r))
				if res.Status != Converged {
					t.Fatalf("%v: %v", pose, res.Status)
				}
				if res.Ambiguous { // flagged: the other minimum may be the right one
					flagged++
					n--
					continue
				}
				e := deviation(s, pose, res.Pose)
				d := mahalanobis(t, s, &res.Covariance, &e)
				sum += d
				sumBound += bound(t, s, pose, sigma, &e)
				if d < limit {
					inside++
				}
				u = append(u, distuv.ChiSquared{K: float64(res.DOF)}.CDF(res.ChiSquare))
			}
			if flagged > honestPoses/1000 {
				t.Errorf("%d poses flagged as ambiguous", flagged)
			}
			ratio := math.Sqrt(sum / float64(n) / f)
			share := float64(inside) / float64(n)
			ks := kolmogorov(u)
			atTruth := math.Sqrt(sumBound / float64(n) / f)
			t.Logf("error over sigma %.4f, over the bound %.4f, inside 95 %% region %.2f %%, chi-square p = %.3f", ratio, atTruth, 100*share, ks)
			if slack := 4 / math.Sqrt(2*float64(n)*f); math.Abs(ratio-1) > slack || math.Abs(atTruth-1) > slack {
				t.Errorf("error over sigma %.4f, over the bound %.4f, want 1 ± %.4f", ratio, atTruth, slack)
			}
			if slack := 4 * math.Sqrt(0.95*0.05/float64(n)); math.Abs(share-0.95) > slack {
				t.Errorf("share inside the 95 %% region %.4f, want 0.95 ± %.4f", share, slack)
			}
			if ks < 1e-3 {
				t.Errorf("chi-square does not follow its distribution: p = %.2g", ks)
			}
		})
	}
}
