package campaign

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels/rigid"
)

// Score is how far poses are from the truth, beside what they say.
type Score struct {
	N        int
	square   float64 // of position errors [m²]
	turned   float64 // of rotation errors [rad²]
	stated   float64 // variances of positions as stated [m²]
	error    r3.Vec  // sum of position errors [m]
	position int     // poses inside the 95 % ellipsoid of position
	inside   int     // and of all six
	whole    float64 // Σ eᵀC⁻¹e over all six
}

// Quantiles of chi-square at 95 %, as every handbook of statistics prints them
// (NIST/SEMATECH e-Handbook of Statistical Methods, table 1.3.6.7.4, has three digits).
const (
	ninetyFive3 = 7.814728
	ninetyFive6 = 12.591587
)

// Add counts a pose with its covariance (position [m], rotation [rad], rig frame)
// against the truth.
func (s *Score) Add(t testing.TB, pose rigid.Pose, covariance *[6][6]float64, truth rigid.Pose) {
	t.Helper()
	dp, dr := pose.Minus(truth)
	s.N++
	s.square += r3.Norm2(dp)
	s.turned += r3.Norm2(dr)
	s.error = r3.Add(s.error, dp)
	s.stated += Variance(covariance)
	e := []float64{dp.X, dp.Y, dp.Z, dr.X, dr.Y, dr.Z}
	if overCovariance(t, covariance, e[:3]) < ninetyFive3 {
		s.position++
	}
	square := overCovariance(t, covariance, e)
	s.whole += square
	if square < ninetyFive6 {
		s.inside++
	}
}

// Join counts what another score has counted.
func (s *Score) Join(o *Score) {
	s.N, s.position, s.inside = s.N+o.N, s.position+o.position, s.inside+o.inside
	s.square, s.turned, s.stated, s.whole = s.square+o.square, s.turned+o.turned, s.stated+o.stated, s.whole+o.whole
	s.error = r3.Add(s.error, o.error)
}

// Variance is that of a position [m²]: the sum over its three components.
func Variance(covariance *[6][6]float64) float64 {
	return covariance[0][0] + covariance[1][1] + covariance[2][2]
}

// RMS is the root of the mean squared position error [m].
func (s *Score) RMS() float64 { return math.Sqrt(s.square / float64(s.N)) }

// RotationRMS is the root of the mean squared rotation error [rad].
func (s *Score) RotationRMS() float64 { return math.Sqrt(s.turned / float64(s.N)) }

// Stated is the root of the mean stated variance of positions [m].
func (s *Score) Stated() float64 { return math.Sqrt(s.stated / float64(s.N)) }

// Bias is the size of the mean position error [m].
func (s *Score) Bias() float64 { return r3.Norm(s.error) / float64(s.N) }

// Coverage is the share of poses inside their 95 % ellipsoids: of position, and of
// all six.
func (s *Score) Coverage() (position, all float64) {
	return float64(s.position) / float64(s.N), float64(s.inside) / float64(s.N)
}

// Normalised is the mean of eᵀC⁻¹e/6 over all six: 1 if the covariances are right.
func (s *Score) Normalised() float64 { return s.whole / 6 / float64(s.N) }

// Log prints the score.
func (s *Score) Log(t testing.TB) {
	t.Helper()
	position, all := s.Coverage()
	t.Logf("%d poses: RMS %.4f mm, %.4f°; stated %.4f mm; inside their 95 %% regions: position %.3f, all six %.3f; normalised error² %.3f",
		s.N, 1e3*s.RMS(), s.RotationRMS()*180/math.Pi, 1e3*s.Stated(), position, all, s.Normalised())
}

// Covers holds the coverage to 93 to 97 %, widened by three of its sampling errors
// for so many independent poses (0: all are).
func (s *Score) Covers(t testing.TB, independent float64) {
	t.Helper()
	if independent == 0 {
		independent = float64(s.N)
	}
	position, all := s.Coverage()
	loose := 3 * math.Sqrt(0.95*0.05/independent)
	for what, v := range map[string]float64{"position": position, "all six": all} {
		if v < 0.93-loose || v > 0.97+loose {
			t.Errorf("%s: %.3f inside the 95 %% region, want 0.93 to 0.97 ± %.3f", what, v, loose)
		}
	}
}

// RMSLoose is three relative sampling errors of an RMS over so many independent
// poses: a mean square of 3n components of unequal size has a relative
// sampling error of √(2/n) at most.
func RMSLoose(independent float64) float64 { return 3 * math.Sqrt(2/independent) / 2 }

func overCovariance(t testing.TB, c *[6][6]float64, e []float64) float64 {
	t.Helper()
	n := len(e)
	cov, d := mat.NewSymDense(n, nil), mat.NewVecDense(n, e)
	for i := range n {
		for k := i; k < n; k++ {
			cov.SetSym(i, k, c[i][k])
		}
	}
	var chol mat.Cholesky
	var solved mat.VecDense
	if !chol.Factorize(cov) || chol.SolveVecTo(&solved, d) != nil {
		t.Fatal("a covariance that is none")
	}
	return mat.Dot(d, &solved)
}
