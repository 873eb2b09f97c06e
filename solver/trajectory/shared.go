package trajectory

import (
	"errors"
	"math"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/mat"

	"tonepose/fieldmodels/rigid"
	"tonepose/solver"
)

// shared is what the errors of the solver's model, which all windows share, need:
// windows near each other err alike, and no mean over them takes that away. A
// window counts its couplings by noise and model errors together, each by itself,
// so that those near an emitter do not rule; what the model's errors do to a pose
// so found is added to its covariance in the end.
type shared struct {
	model  solver.ErrorModel
	alone  *solver.Solver // takes the model for exact
	errors []float64      // of a window's couplings, n×n
}

func newShared(s *solver.Solver) *shared {
	p := s.Problem()
	model := p.ErrorModel()
	if model.Exact() {
		return nil
	}
	n := len(p.Array.Emitters) * len(p.Sensor.Coils)
	return &shared{model: model, alone: s.Exact(), errors: make([]float64, n*n)}
}

// widen adds the variances of the model's errors at a pose to a frame's, once.
func (f *filter) widen(fr *Frame, pose rigid.Pose) error {
	if f.shared == nil || fr.widened {
		return nil
	}
	fr.widened = true
	n := len(fr.Couplings.Variance)
	switch err := f.solver.ErrorCovariance(f.shared.errors, fr.Couplings, pose); {
	case errors.Is(err, solver.ErrInvalid):
		return nil // counts for nothing anyway
	case err != nil:
		return err
	}
	fr.Couplings.Variance = make([]float64, n)
	for i := range n {
		fr.Couplings.Variance[i] = f.shared.errors[i*n+i]
	}
	return nil
}

// addShared adds to the covariances what the model's errors do. A window whose
// couplings fix no pose has the errors of the one before it, or else of the one
// after.
func (f *filter) addShared(states []State, frames []Frame) error {
	if f.shared == nil {
		return nil
	}
	var last *[6][6]float64
	waiting := 0
	for i := range states {
		if err := f.ctx.Err(); err != nil {
			return err
		}
		parts, err := f.shared.alone.Contributions(frames[i].Couplings, states[i].Pose, &f.shared.model)
		if err != nil && !errors.Is(err, solver.ErrUnobservable) {
			return err
		}
		if err == nil {
			last = &[6][6]float64{}
			for _, part := range parts[solver.Emitters:] {
				add(last, &part)
			}
		}
		for ; last != nil && waiting <= i; waiting++ {
			add(&states[waiting].Covariance, last)
		}
	}
	return nil
}

func add(to, c *[6][6]float64) {
	for i := range to {
		for j, v := range c[i] {
			to[i][j] += v
		}
	}
}

// weigh turns residuals of a frame's couplings and their derivatives into units of
// their sigmas; those of missing couplings become zero. It returns the logarithm of
// the covariance's determinant and how many couplings count. Where the noise of
// the references matters, the couplings of an emitter have the covariance
//
//	D^½·(1 + u·uᵀ)·D^½,  u = D^−½·m·√common
//
// with D their independent variances and m the couplings that the motion predicts;
// (1 + u·uᵀ)^−½ is 1 − β·u·uᵀ, β = (1 − 1/√(1 + u²))/u².
func (f *filter) weigh(fr *Frame, residual []float64, rows *mat.Dense) (logDet float64, used int) {
	c := &fr.Couplings
	drive := f.solver.SharesDrive(c)
	coils := len(f.solver.Problem().Sensor.Coils)
	for i, v := range c.Variance {
		f.inverse[i] = 0
		if drive {
			v = c.Own(i)
		}
		if v *= f.options.Correlation; !(v > 0) || math.IsInf(v, 0) {
			residual[i] = 0
			clear(rows.RawRowView(i))
			continue
		}
		logDet += math.Log(v)
		used++
		f.inverse[i] = 1 / math.Sqrt(v)
		residual[i] *= f.inverse[i]
		floats.Scale(f.inverse[i], rows.RawRowView(i))
	}
	if !drive {
		return logDet, used
	}
	for e, common := range c.Common {
		square := 0.0
		root := math.Sqrt(common * f.options.Correlation)
		u := f.inverse[e*coils : (e+1)*coils]
		for k := range u {
			u[k] *= root * f.mean[e*coils+k]
			square += u[k] * u[k]
		}
		if square == 0 {
			continue
		}
		logDet += math.Log1p(square)
		beta := (1 - 1/math.Sqrt(1+square)) / square
		along := 0.0
		clear(f.along)
		for k, v := range u {
			along += v * residual[e*coils+k]
			floats.AddScaled(f.along, v, rows.RawRowView(e*coils+k))
		}
		for k, v := range u {
			residual[e*coils+k] -= beta * v * along
			floats.AddScaled(rows.RawRowView(e*coils+k), -beta*v, f.along)
		}
	}
	return logDet, used
}
