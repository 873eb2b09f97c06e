package calibrate

import (
	"math"
	"testing"
	"tonepose/cmd/tonepose/internal/bench"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels/correction"
	"tonepose/fieldmodels/rigid"
	"tonepose/solver"
	"tonepose/solver/calibration"
)

// within95 is the 95 % point of chi-square with three degrees of freedom.
const within95 = 7.814727903

// heldOut is what stations show that had no part in a map: sums over stations of
// squared errors and of what was stated.
type heldOut struct {
	stations, inside float64 // inside the 95 % ellipsoid of position
	square, stated   float64 // of position [m²]
	normalised       float64 // position and turn over their covariance, a degree of freedom
	position         float64 // position alone
	// The variance of position's mean, as the stated covariances make it: one
	// map's errors are common to all of its stations.
	variance float64
}

func (h *heldOut) add(o *heldOut) {
	n := h.stations + o.stations
	h.variance = (h.stations*h.stations*h.variance + o.stations*o.stations*o.variance) / (n * n)
	h.stations, h.inside, h.square, h.stated = n, h.inside+o.inside, h.square+o.square, h.stated+o.stated
	h.normalised, h.position = h.normalised+o.normalised, h.position+o.position
}

// holdOut solves stations of a sensor with a map.
func (b *metalledBench) holdOut(t *testing.T, m *Metal, sensor, stations int) *heldOut {
	t.Helper()
	s, err := m.solver(sensor, middle)
	if err != nil {
		t.Fatal(err)
	}
	out := &heldOut{stations: float64(stations)}
	var truths []rigid.Pose
	var gains []*mat.Dense
	for range stations {
		truth, c := b.observe(t, sensor)
		r := s.Warm(c, truth)
		if r.Status != solver.Converged {
			t.Fatalf("a station is %v", r.Status)
		}
		dp, dr := r.Pose.Minus(truth)
		off := mat.NewVecDense(6, []float64{dp.X, dp.Y, dp.Z, dr.X, dr.Y, dr.Z})
		cov := mat.NewSymDense(6, nil)
		for i := range 6 {
			for k := i; k < 6; k++ {
				cov.SetSym(i, k, r.Covariance[i][k])
			}
		}
		out.normalised += overCovariance(t, cov, off) / 6
		square := overCovariance(t, cov.SliceSym(0, 3).(*mat.SymDense), off.SliceVec(0, 3).(*mat.VecDense))
		out.position += square / 3
		if square < within95 {
			out.inside++
		}
		out.square += r3.Norm2(dp)
		out.stated += cov.At(0, 0) + cov.At(1, 1) + cov.At(2, 2)
		truths, gains = append(truths, truth), append(gains, gain(t, s, c, truth, cov))
	}
	out.variance = scatter(t, s, truths, gains)
	return out
}

func overCovariance(t *testing.T, c *mat.SymDense, d *mat.VecDense) float64 {
	t.Helper()
	var chol mat.Cholesky
	var x mat.VecDense
	if !chol.Factorize(c) || chol.SolveVecTo(&x, d) != nil {
		t.Fatalf("covariance %v", mat.Formatted(c))
	}
	return mat.Dot(d, &x)
}

// gain is what an error of the couplings does to a station's position, over the
// root of its stated covariance: 3 × couplings.
func gain(t *testing.T, s *solver.Solver, c solver.Couplings, pose rigid.Pose, cov *mat.SymDense) *mat.Dense {
	t.Helper()
	n := len(c.Value)
	slopes, sigma := make([][6]float64, n), mat.NewSymDense(n, nil)
	if err := s.Evaluate(pose, nil, slopes); err != nil {
		t.Fatal(err)
	}
	errors := make([]float64, n*n)
	if err := s.Problem().Errors.Covariance(errors, pose); err != nil {
		t.Fatal(err)
	}
	jacobian := mat.NewDense(n, 6, nil)
	for i := range n {
		jacobian.SetRow(i, slopes[i][:])
		for k := i; k < n; k++ {
			sigma.SetSym(i, k, errors[i*n+k])
		}
		sigma.SetSym(i, i, sigma.At(i, i)+c.Variance[i])
	}
	var whole, root mat.Cholesky
	if !whole.Factorize(sigma) || !root.Factorize(cov.SliceSym(0, 3).(*mat.SymDense)) {
		t.Fatal("a covariance is not positive definite")
	}
	var weighted, moves, out mat.Dense
	if err := whole.SolveTo(&weighted, jacobian); err != nil {
		t.Fatal(err)
	}
	moves.Mul(cov, weighted.T())
	var lower mat.TriDense
	root.LTo(&lower)
	if err := out.Solve(&lower, moves.Slice(0, 3, 0, n)); err != nil {
		t.Fatal(err)
	}
	return &out
}

// scatter is the variance of the mean over stations of e² a coordinate, e their
// errors over the root of their covariance, when map and bench err as stated:
// the variance of a product of normal numbers is twice their covariance squared.
func scatter(t *testing.T, s *solver.Solver, poses []rigid.Pose, gains []*mat.Dense) float64 {
	t.Helper()
	p := s.Problem()
	emitters, coils := len(p.Array.Emitters), len(p.Sensor.Coils)
	all := coils * len(poses)
	common := mat.NewDense(emitters*all, emitters*all, nil)
	if err := p.Errors.(*bench.Metal).Covariances(common.RawMatrix().Data, poses...); err != nil {
		t.Fatal(err)
	}
	n := emitters * coils
	wide := mat.NewDense(3*len(poses), emitters*all, nil)
	for p, g := range gains {
		for i := range n {
			for k := range 3 {
				wide.Set(3*p+k, i/coils*all+p*coils+i%coils, g.At(k, i))
			}
		}
	}
	var half, cross mat.Dense
	half.Mul(wide, common)
	cross.Mul(&half, wide.T())
	sum := 0.0
	for i := range 3 * len(poses) {
		for k := range 3 * len(poses) {
			v := cross.At(i, k)
			if i/3 == k/3 { // with the noise, all of it is one
				v = 0
				if i == k {
					v = 1
				}
			}
			sum += 2 * v * v
		}
	}
	return sum / float64(9*len(poses)*len(poses))
}

// honest maps benches of several seeds and compares the errors of held-out
// stations, of the last sensor, with what is stated of them.
func honest(t *testing.T, seeds, sensors, mapped, held int, near nearby, o correction.Options) (all heldOut) {
	t.Helper()
	for seed := range seeds {
		b := newMetalledBench(t, uint64(seed), sensors, near)
		for range mapped {
			b.station(t, 5e-5, 0.05*math.Pi/180)
		}
		m, err := MapMetal(&b.problem, calibration.Options{}, o)
		if err != nil {
			t.Fatal(err)
		}
		h := b.holdOut(t, m, sensors-1, held)
		t.Logf("seed %d: %.3f mm, stated %.3f mm; normalised %.2f, of position %.2f ± %.2f; %.1f %% inside; growth %.2f, %+v",
			seed, 1e3*math.Sqrt(h.square/h.stations), 1e3*math.Sqrt(h.stated/h.stations), h.normalised/h.stations,
			h.position/h.stations, math.Sqrt(h.variance), 100*h.inside/h.stations, m.Map.Growth, m.Map.Smoothness)
		all.add(h)
	}
	return all
}

// check holds the errors against what is stated.
func (h *heldOut) check(t *testing.T) {
	t.Helper()
	sigma := math.Sqrt(h.variance)
	// So many independent stations would scatter as much.
	effective := 2 / (3 * h.variance)
	inside, position, normalised := h.inside/h.stations, h.position/h.stations, h.normalised/h.stations
	t.Logf("%.0f stations, as good as %.0f: %.3f mm, stated %.3f mm; normalised %.3f, of position %.3f ± %.3f; %.1f %% inside",
		h.stations, effective, 1e3*math.Sqrt(h.square/h.stations), 1e3*math.Sqrt(h.stated/h.stations), normalised, position, sigma, 100*inside)
	if math.Abs(position-1) > 3*sigma || math.Abs(normalised-1) > 3*sigma {
		t.Errorf("squared errors over what is stated %.3f, of position %.3f: want 1 ± %.3f", normalised, position, 3*sigma)
	}
	if spread := 3 * math.Sqrt(0.95*0.05/effective); math.Abs(inside-0.95) > spread {
		t.Errorf("%.1f %% inside the 95 %% ellipsoids: want 95 ± %.1f %%", 100*inside, 100*spread)
	}
}
