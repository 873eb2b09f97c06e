package trajectory

import (
	"math"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/mat"

	"tonepose/fieldmodels/rigid"
	"tonepose/solver"
)

// evidence is what one frame says about n unknowns of the motion, in information
// form: A = HᵀR⁻¹H, b = HᵀR⁻¹r, c = rᵀR⁻¹r.
type evidence struct {
	a    *mat.SymDense
	b    []float64
	c    float64
	logR float64 // Σ log variance
	used int
}

func newEvidence(n int) *evidence {
	return &evidence{a: mat.NewSymDense(n, nil), b: make([]float64, n)}
}

// path gives the pose at a time dt [s] after a window's centre and its derivative
// (position, then rotation from the left: the first six rows) by the unknowns.
type path func(dt float64) (rigid.Pose, *mat.Dense)

// nodes of a three-point rule with the window's mean and spread: exact for
// cubic paths under any symmetric window, and for fifth order under one whose
// fourth moment is three times its squared second (Hann: 2.4 times).
var nodes = [3]struct{ at, weight float64 }{{0, 2.0 / 3}, {math.Sqrt(3), 1.0 / 6}, {-math.Sqrt(3), 1.0 / 6}}

// measure compares a frame with what a path predicts of it: the weighted mean of
// the couplings along the path during a window of that spread [s].
func (f *filter) measure(fr *Frame, spread float64, at path) (*evidence, error) {
	pose, d := at(0)
	e := newEvidence(len(f.along))
	h, residual := f.h, mat.NewVecDense(len(f.residual), f.residual)
	if fr.seen != nil {
		h = f.compare(fr.seen, residual, pose, d)
		e.logR, e.used = fr.seen.logDet, 6
	} else {
		if err := f.predict(fr, spread, pose, d, at); err != nil {
			return nil, err
		}
		floats.SubTo(f.residual, fr.Couplings.Value, f.mean)
		e.logR, e.used = f.weigh(fr, f.residual, h)
	}
	e.a.SymOuterK(1, h.T())
	mat.NewVecDense(len(e.b), e.b).MulVec(h.T(), residual)
	e.c = mat.Dot(residual, residual)
	return e, nil
}

// predict writes the mean of the couplings over a window into f.mean and its
// derivatives by the unknowns into f.h; pose and d are those of its centre.
func (f *filter) predict(fr *Frame, spread float64, pose rigid.Pose, d *mat.Dense, at path) error {
	if err := f.widen(fr, pose); err != nil {
		return err
	}
	clear(f.mean)
	f.h.Zero()
	for k, node := range nodes {
		switch {
		case spread == 0 && k > 0:
			continue
		case spread == 0:
			node.weight = 1
		case k > 0:
			pose, d = at(node.at * spread)
		}
		if err := f.solver.Evaluate(pose, f.value, f.jacobian); err != nil {
			return err
		}
		floats.AddScaled(f.mean, node.weight, f.value)
		for i, j := range f.jacobian {
			for r, v := range j {
				floats.AddScaled(f.h.RawRowView(i), node.weight*v, d.RawRowView(r))
			}
		}
	}
	return nil
}

// known is the pose of a window that was solved by itself, which stands for its
// couplings: the same evidence as long as the model is straight over the pose's
// uncertainty and the path over the window, for a fraction of the work.
type known struct {
	solver.Result
	root   mat.TriDense // UᵀU is the inverse of its covariance
	logDet float64      // of the covariance
}

// know prepares a pose; false where its covariance is not positive definite.
func (f *filter) know(r *solver.Result) (*known, bool) {
	info, logDet, err := inverse(f.covariance(r, 1)) // 1 rad: nothing known about the free axis
	var chol mat.Cholesky
	if err != nil || !chol.Factorize(info) {
		return nil, false
	}
	k := &known{Result: *r, logDet: logDet}
	chol.UTo(&k.root)
	return k, true
}

// compare makes residual the difference between a known pose and that of a path, of
// unit covariance, and returns its derivatives by the unknowns.
func (f *filter) compare(k *known, residual *mat.VecDense, pose rigid.Pose, d *mat.Dense) *mat.Dense {
	dp, dr := k.Pose.Minus(pose)
	across := f.across(k.Pose)
	residual.Reset()
	residual.MulVec(&k.root, mat.NewVecDense(6, flat(dp, rigid.MulVec(&across, dr))))
	var h mat.Dense
	h.Mul(&k.root, d.Slice(0, 6, 0, len(f.along)))
	return &h
}

// covariance of a pose solved by itself. free is the standard deviation [rad] of the
// rotation about the axis that no coil sees.
func (f *filter) covariance(r *solver.Result, free float64) *mat.SymDense {
	c := mat.NewSymDense(6, nil)
	across := f.across(r.Pose)
	for i := range 6 {
		for j := i; j < 6; j++ {
			v := r.Covariance[i][j] * f.options.Correlation
			if i >= 3 {
				v += free * free * (rigid.Unit3[i-3][j-3] - across[i-3][j-3])
			}
			c.SetSym(i, j, v)
		}
	}
	return c
}

// across projects a rotation vector of the rig frame on what the coils see: all of
// it, or what lies across their one axis at a pose.
func (f *filter) across(p rigid.Pose) [3][3]float64 {
	m := rigid.Unit3
	if f.axis == nil {
		return m
	}
	a := flat(p.Rotate(*f.axis))
	for i := range 3 {
		for j := range 3 {
			m[i][j] -= a[i] * a[j]
		}
	}
	return m
}

// sandwich is j·c·jᵀ.
func sandwich(j mat.Matrix, c mat.Symmetric) *mat.SymDense {
	var jc, jcj mat.Dense
	jc.Mul(j, c)
	jcj.Mul(&jc, j.T())
	n, _ := jcj.Dims()
	out := mat.NewSymDense(n, nil)
	for i := range n {
		for k := i; k < n; k++ {
			out.SetSym(i, k, (jcj.At(i, k)+jcj.At(k, i))/2)
		}
	}
	return out
}
