package registration

import (
	"errors"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"
	"gonum.org/v1/gonum/stat/distuv"
	"pgregory.net/rapid"

	"tonepose/fieldmodels/rigid"
)

type source struct{ *rand.Rand }

func newSource(seed uint64) source { return source{rand.New(rand.NewPCG(seed, 7))} }

func (s source) vec(scale float64) r3.Vec {
	return r3.Vec{X: scale * s.NormFloat64(), Y: scale * s.NormFloat64(), Z: scale * s.NormFloat64()}
}

func (s source) pose(reach float64) rigid.Pose {
	return rigid.Pose{Position: s.vec(reach), Rotation: rigid.Exp(s.vec(1.5))}
}

// covariance of a pose: positions scatter by about 1e-4 m, turns by 1e-3 rad,
// all correlated; root is a factor of it.
func (s source) covariance() (c Cov6, root *mat.Dense) {
	root = mat.NewDense(6, 6, nil)
	for i := range 6 {
		for j := range 6 {
			root.Set(i, j, []float64{1e-4, 1e-3}[i/3]*s.NormFloat64())
		}
	}
	for i := range 6 {
		for j := range 6 {
			for k := range 6 {
				c[i][j] += root.At(i, k) * root.At(j, k)
			}
		}
	}
	return c, root
}

func (s source) disturbed(p rigid.Pose, root *mat.Dense) rigid.Pose {
	var e [6]float64
	for k := range 6 {
		z := s.NormFloat64()
		for i := range e {
			e[i] += root.At(i, k) * z
		}
	}
	return p.Plus(r3.Vec{X: e[0], Y: e[1], Z: e[2]}, r3.Vec{X: e[3], Y: e[4], Z: e[5]})
}

func apart(a, b rigid.Pose) float64 {
	dp, dr := a.Minus(b)
	return r3.Norm(dp) + r3.Norm(dr)
}

// Whatever the motion, exact points give it back to rounding.
func TestExactPointsGiveTheMotion(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		s := newSource(rapid.Uint64().Draw(rt, "seed"))
		n := rapid.IntRange(3, 12).Draw(rt, "n")
		truth := s.pose(1)
		var from, to []r3.Vec
		for range n {
			p := s.vec(0.1)
			from, to = append(from, p), append(to, truth.Apply(p))
		}
		m, err := Points(from, to, nil, Options{})
		if err != nil {
			rt.Fatal(err)
		}
		// Points of 0.1 m about 1 m away: coordinates are good to 1e-16, turns to
		// that over the smaller of the two widest extents, which can be small.
		x := mat.NewDense(n, 3, nil)
		for i, p := range from {
			d := array3(r3.Sub(p, from[0]))
			x.SetRow(i, d[:])
		}
		var svd mat.SVD
		svd.Factorize(x, mat.SVDNone)
		if width := svd.Values(nil)[1]; apart(m.Pose, truth) > 1e-14/width {
			rt.Errorf("off by %g at width %g", apart(m.Pose, truth), width)
		}
	})
}

func TestExactPosesGiveTheMounting(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		s := newSource(rapid.Uint64().Draw(rt, "seed"))
		frame, body := s.pose(1), s.pose(0.05)
		var reference, estimate []rigid.Pose
		for range rapid.IntRange(5, 12).Draw(rt, "n") {
			p := s.pose(0.2)
			reference, estimate = append(reference, p), append(estimate, frame.Compose(p).Compose(body))
		}
		m, err := Poses(reference, estimate, nil, Options{})
		if err != nil {
			rt.Fatal(err)
		}
		// Random axes: the worst of a hundred draws of five is a hundred times
		// worse than the best.
		if d := apart(m.Frame, frame) + apart(m.Body, body); d > 1e-11 {
			rt.Errorf("off by %g", d)
		}
		x, err := HandEye(Movements(reference), Movements(estimate))
		if err != nil {
			rt.Fatal(err)
		}
		if d := apart(x, body); d > 1e-11 {
			rt.Errorf("hand-eye off by %g", d)
		}
	})
}

// One turn cannot be told: points on a line, turns about one axis.
func TestUndetermined(t *testing.T) {
	line := []r3.Vec{{X: 0}, {X: 1}, {X: 2}, {X: 3.5}}
	if _, err := Points(line, line, nil, Options{}); !errors.Is(err, ErrUndetermined) {
		t.Errorf("points on a line: %v", err)
	}
	if _, err := Points(line[:2], line[:2], nil, Options{}); !errors.Is(err, ErrUndetermined) {
		t.Errorf("two points: %v", err)
	}
	var about []rigid.Pose
	for i := range 8 {
		about = append(about, rigid.Pose{Position: r3.Vec{X: 0.1 * float64(i)}, Rotation: rigid.Exp(r3.Vec{Z: 0.3 * float64(i)})})
	}
	if _, err := Poses(about, about, nil, Options{}); !errors.Is(err, ErrUndetermined) {
		t.Errorf("poses about one axis: %v", err)
	}
	if _, err := HandEye(Movements(about), Movements(about)); !errors.Is(err, ErrUndetermined) {
		t.Errorf("movements about one axis: %v", err)
	}
	for i := range about {
		about[i].Position = r3.Scale(-1, rigid.Rotate(about[i].Rotation, r3.Vec{X: 0.02, Z: 0.1}))
	}
	if _, err := Pivot(about, nil, nil, Options{}); !errors.Is(err, ErrUndetermined) {
		t.Errorf("pivot about one axis: %v", err)
	}
	flat := []r3.Vec{{X: 1}, {Y: 1}, {X: -1}, {Y: -1}, {X: 0.6, Y: 0.8}}
	if _, err := Sphere(flat, Options{}); !errors.Is(err, ErrUndetermined) {
		t.Errorf("sphere through a circle: %v", err)
	}
}

// tally is the mean of many draws. Over draws from stated covariances the squared
// error over the covariance that a fit of k parameters states is chi-square of k
// degrees of freedom, and the fit's own chi-square is one of DOF.
type tally struct {
	sum float64
	n   int
}

func (a *tally) add(v float64) { a.sum, a.n = a.sum+v, a.n+1 }

// check compares the mean with that of the distribution, to four of its standard
// deviations.
func (a *tally) check(t *testing.T, name string, of interface {
	Mean() float64
	Variance() float64
}) {
	t.Helper()
	if got, limit := a.sum/float64(a.n), 4*math.Sqrt(of.Variance()/float64(a.n)); math.Abs(got-of.Mean()) > limit {
		t.Errorf("%s: mean %.3f, want %.3f ± %.3f", name, got, of.Mean(), limit)
	}
}

func normalised(t *testing.T, e []float64, c func(i, j int) float64) float64 {
	t.Helper()
	w, err := newWhitener(len(e), c)
	if err != nil {
		t.Fatal(err)
	}
	v := slices.Clone(e)
	w.apply(v)
	var sum float64
	for _, x := range v {
		sum += x * x
	}
	return sum
}

func poseError(got, want rigid.Pose) []float64 {
	// true = exp(δ)·estimate.
	dp, dr := want.Minus(got)
	return []float64{dp.X, dp.Y, dp.Z, dr.X, dr.Y, dr.Z}
}

func TestPointCovarianceByMonteCarlo(t *testing.T) {
	s := newSource(1)
	var whole, chi tally
	for range 400 {
		truth := s.pose(1)
		var from, to []r3.Vec
		var cov []Cov3
		for range 9 {
			c, root := s.covariance()
			p := s.vec(0.1)
			noisy := s.disturbed(rigid.Pose{Position: truth.Apply(p), Rotation: truth.Rotation}, root)
			from, to, cov = append(from, p), append(to, noisy.Position), append(cov, AtPoint(c, r3.Vec{}))
		}
		m, err := Points(from, to, cov, Options{KeepAll: true})
		if err != nil {
			t.Fatal(err)
		}
		whole.add(normalised(t, poseError(m.Pose, truth), func(i, j int) float64 { return m.Covariance[i][j] }))
		chi.add(m.ChiSquare)
		if m.DOF != 21 {
			t.Fatalf("%d degrees of freedom", m.DOF)
		}
	}
	whole.check(t, "motion", distuv.ChiSquared{K: 6})
	chi.check(t, "chi-square", distuv.ChiSquared{K: 21})
}

// Without stated covariances the residuals set the scale: squared error over
// covariance, per component, follows F(6, dof), whose mean is dof/(dof−2).
func TestScatterSetsTheScale(t *testing.T) {
	s := newSource(2)
	var whole tally
	const points = 12
	const dof = 3*points - 6
	for range 500 {
		truth := s.pose(1)
		var from, to []r3.Vec
		for range points {
			p := s.vec(0.1)
			from, to = append(from, p), append(to, r3.Add(truth.Apply(p), s.vec(3e-5)))
		}
		m, err := Points(from, to, nil, Options{KeepAll: true})
		if err != nil {
			t.Fatal(err)
		}
		whole.add(normalised(t, poseError(m.Pose, truth), func(i, j int) float64 { return m.Covariance[i][j] }) / 6)
	}
	whole.check(t, "motion", distuv.F{D1: 6, D2: dof})
}

// Residuals three times what was stated: the ratio of Birge says so, within
// 4/√(2·dof) of it.
func TestBirgeRatio(t *testing.T) {
	s := newSource(9)
	truth := s.pose(1)
	var from, to []r3.Vec
	var cov []Cov3
	for range 200 {
		p := s.vec(0.1)
		from, to = append(from, p), append(to, r3.Add(truth.Apply(p), s.vec(3e-4)))
		cov = append(cov, Cov3{{1e-8}, {0, 1e-8}, {0, 0, 1e-8}})
	}
	m, err := Points(from, to, cov, Options{KeepAll: true})
	if err != nil {
		t.Fatal(err)
	}
	if q := m.Birge() / 3; math.Abs(q-1) > 4/math.Sqrt(2*594) {
		t.Errorf("ratio %.3f, want 3", m.Birge())
	}
	// Without stated covariances there is nothing to exceed.
	if m, err = Points(from, to, nil, Options{KeepAll: true}); err != nil || m.Birge() != 1 {
		t.Errorf("ratio %.3f without stated covariances, %v", m.Birge(), err)
	}
}

func TestMountingCovarianceByMonteCarlo(t *testing.T) {
	s := newSource(3)
	var frames, bodies, joint, chi tally
	for range 250 {
		frame, body := s.pose(0.5), s.pose(0.03)
		var reference, estimate []rigid.Pose
		var cov []Cov6
		for range 10 {
			p := s.pose(0.1)
			c, root := s.covariance()
			reference, cov = append(reference, p), append(cov, c)
			estimate = append(estimate, s.disturbed(frame.Compose(p).Compose(body), root))
		}
		m, err := Poses(reference, estimate, cov, Options{KeepAll: true})
		if err != nil {
			t.Fatal(err)
		}
		f, b := poseError(m.Frame, frame), poseError(m.Body, body)
		frames.add(normalised(t, f, func(i, j int) float64 { return m.Joint.At(i, j) }))
		bodies.add(normalised(t, b, func(i, j int) float64 { return m.Joint.At(6+i, 6+j) }))
		joint.add(normalised12(t, append(f, b...), m.Joint))
		chi.add(m.ChiSquare)
	}
	frames.check(t, "frame", distuv.ChiSquared{K: 6})
	bodies.check(t, "body", distuv.ChiSquared{K: 6})
	joint.check(t, "both", distuv.ChiSquared{K: 12})
	chi.check(t, "chi-square", distuv.ChiSquared{K: 48})
}

func normalised12(t *testing.T, e []float64, c *mat.SymDense) float64 {
	t.Helper()
	var chol mat.Cholesky
	if !chol.Factorize(c) {
		t.Fatal("not positive definite")
	}
	v := mat.NewVecDense(12, e)
	var x mat.VecDense
	if err := chol.SolveVecTo(&x, v); err != nil {
		t.Fatal(err)
	}
	return mat.Dot(v, &x)
}

func TestPivotCovarianceByMonteCarlo(t *testing.T) {
	s := newSource(4)
	var tips, points, chi, along tally
	for range 400 {
		tip, point := r3.Vec{X: 0.01, Y: -0.02, Z: 0.15}, s.vec(0.2)
		axis := r3.Vec{Z: 1}
		var poses, five []rigid.Pose
		var cov []Cov6
		for range 12 {
			c, root := s.covariance()
			q := rigid.Exp(s.vec(0.5))
			at := rigid.Pose{Position: r3.Sub(point, rigid.Rotate(q, tip)), Rotation: q}
			poses, cov = append(poses, s.disturbed(at, root)), append(cov, c)
			on := rigid.Pose{Position: r3.Sub(point, rigid.Rotate(q, r3.Vec{Z: 0.15})), Rotation: q}
			five = append(five, s.disturbed(on, root))
		}
		p, err := Pivot(poses, cov, nil, Options{KeepAll: true})
		if err != nil {
			t.Fatal(err)
		}
		e := array3(r3.Sub(tip, p.Tip))
		tips.add(normalised(t, e[:], func(i, j int) float64 { return p.TipCovariance[i][j] }))
		e = array3(r3.Sub(point, p.Point))
		points.add(normalised(t, e[:], func(i, j int) float64 { return p.PointCovariance[i][j] }))
		chi.add(p.ChiSquare)
		l, err := Pivot(five, cov, &axis, Options{KeepAll: true})
		if err != nil {
			t.Fatal(err)
		}
		along.add((l.Tip.Z - 0.15) * (l.Tip.Z - 0.15) / l.TipCovariance[2][2])
	}
	tips.check(t, "tip", distuv.ChiSquared{K: 3})
	points.check(t, "point", distuv.ChiSquared{K: 3})
	chi.check(t, "chi-square", distuv.ChiSquared{K: 30})
	along.check(t, "length along the axis", distuv.ChiSquared{K: 1})
}

func TestSphereCovarianceByMonteCarlo(t *testing.T) {
	s := newSource(5)
	var whole tally
	const points, dof = 30, 26
	for range 400 {
		center := s.vec(0.3)
		var list []r3.Vec
		for range points {
			list = append(list, r3.Add(center, r3.Scale(0.15+2e-5*s.NormFloat64(), r3.Unit(s.vec(1)))))
		}
		b, err := Sphere(list, Options{KeepAll: true})
		if err != nil {
			t.Fatal(err)
		}
		e := r3.Sub(center, b.Center)
		whole.add(normalised(t, []float64{e.X, e.Y, e.Z, 0.15 - b.Radius}, b.Covariance.At) / 4)
	}
	whole.check(t, "sphere", distuv.F{D1: 4, D2: dof})
}

// A third of the data moved by centimetres is found, and the fit is that of the
// rest.
func TestOutliersAreLeftOut(t *testing.T) {
	s := newSource(6)
	frame, body := s.pose(0.5), s.pose(0.03)
	var from, to, sphere []r3.Vec
	var reference, estimate, pivot []rigid.Pose
	tip, point := r3.Vec{Z: 0.12}, r3.Vec{X: 0.1}
	var bad []int
	for i := range 24 {
		p := s.pose(0.1)
		e := frame.Compose(p).Compose(body).Plus(s.vec(2e-5), s.vec(2e-4))
		q := rigid.Exp(s.vec(0.5))
		v := rigid.Pose{Position: r3.Add(r3.Sub(point, rigid.Rotate(q, tip)), s.vec(2e-5)), Rotation: q}
		b := r3.Add(point, r3.Scale(0.12, r3.Unit(s.vec(1))))
		at := r3.Add(frame.Apply(p.Position), s.vec(2e-5))
		if i%3 == 1 {
			bad = append(bad, i)
			e = e.Plus(r3.Scale(0.02, r3.Unit(s.vec(1))), s.vec(0.1))
			v.Position = r3.Add(v.Position, r3.Scale(0.03, r3.Unit(s.vec(1))))
			at = r3.Add(at, r3.Scale(0.02, r3.Unit(s.vec(1))))
			b = r3.Add(point, r3.Scale(0.12+0.02*float64(1+i%2), r3.Unit(s.vec(1))))
		}
		from, to, sphere = append(from, p.Position), append(to, at), append(sphere, r3.Add(b, s.vec(1e-5)))
		reference, estimate, pivot = append(reference, p), append(estimate, e), append(pivot, v)
	}
	points, err := Points(from, to, nil, Options{})
	if err != nil {
		t.Fatal(err)
	}
	poses, err := Poses(reference, estimate, nil, Options{})
	if err != nil {
		t.Fatal(err)
	}
	tipFit, err := Pivot(pivot, nil, nil, Options{})
	if err != nil {
		t.Fatal(err)
	}
	ball, err := Sphere(sphere, Options{})
	if err != nil {
		t.Fatal(err)
	}
	for name, q := range map[string]Quality{"points": points.Quality, "poses": poses.Quality, "pivot": tipFit.Quality, "sphere": ball.Quality} {
		if !slices.Equal(q.Outliers(), bad) {
			t.Errorf("%s: outliers %v, want %v", name, q.Outliers(), bad)
		}
	}
	if d := r3.Norm(r3.Sub(points.Position, frame.Position)); d > 2e-4 {
		t.Errorf("points off by %g m", d)
	}
	if d := r3.Norm(r3.Sub(tipFit.Tip, tip)); d > 1e-4 {
		t.Errorf("tip off by %g m", d)
	}
}

// Clean data keep all, but for the false alarm of one set in a hundred.
func TestCleanDataKeepAll(t *testing.T) {
	s := newSource(8)
	alarms := 0
	for range 100 {
		truth := s.pose(1)
		var from, to []r3.Vec
		for range 20 {
			p := s.vec(0.1)
			from, to = append(from, p), append(to, r3.Add(truth.Apply(p), s.vec(1e-4)))
		}
		m, err := Points(from, to, nil, Options{})
		if err != nil {
			t.Fatal(err)
		}
		if len(m.Outliers()) > 0 {
			alarms++
		}
	}
	// The median of 20 scatters, which makes alarms commoner than the one in a
	// hundred of a known scale; above 15 of 100 the cut would be wrong.
	if alarms > 15 {
		t.Errorf("%d of 100 clean sets lost points", alarms)
	}
}
