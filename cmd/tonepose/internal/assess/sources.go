package assess

import (
	"errors"
	"math"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/fieldmodels"
	"tonepose/fieldmodels/mutual"
	"tonepose/fieldmodels/rigid"
	"tonepose/solver"
)

// errorSources carries what is uncertain about a bench to the poses of a sensor.
// A pickup counts as a point here: its disc changes derivatives by a share of
// (radius/distance)², which a budget does not need.
type errorSources struct {
	rig        *rig.Rig
	index      int
	array      fieldmodels.Array
	device     mutual.Sensor
	solver     *solver.Solver
	parameters *mat.SymDense // of the emitters
}

// at returns the covariances of a pose that noise, emitters, pickups and drive
// channels bring about.
func (e *errorSources) at(pose rigid.Pose, sigma []float64) (out [4][6][6]float64, err error) {
	n := len(sigma)
	value, slope := make([]float64, n), make([][6]float64, n)
	if err := e.solver.Evaluate(pose, value, slope); err != nil {
		return out, err
	}
	by, err := e.derivatives(pose, value)
	if err != nil {
		return out, err
	}
	noise := mat.NewSymDense(n, nil)
	for i, s := range sigma {
		noise.SetSym(i, i, s*s)
	}
	total := [4]mat.Symmetric{noise, spread(by[0], e.parameters), spread(by[1], e.tolerances()), spread(by[2], e.driveGains())}
	weights := mat.NewSymDense(n, nil)
	weights.CopySym(noise)
	if e.array.Covariance != nil { // solve counts these in
		weights.AddSym(weights, total[1])
	}
	gain, err := gainOf(slope, weights)
	if err != nil {
		return out, err
	}
	for k, c := range total {
		if k == 0 { // a coupling that is missing has no noise and no weight
			finite := mat.NewSymDense(n, nil)
			for i, s := range sigma {
				if !math.IsInf(s, 1) {
					finite.SetSym(i, i, s*s)
				}
			}
			c = finite
		}
		var half, whole mat.Dense
		half.Mul(gain, c)
		whole.Mul(&half, gain.T())
		for i := range 6 {
			for j := range 6 {
				out[k][i][j] = whole.At(i, j)
			}
		}
	}
	return out, nil
}

// gainOf is (JᵀWJ)⁺JᵀW for weights W = covariance⁻¹. Rows with infinite variance
// take no part. Of five degrees of freedom the sixth direction stays zero.
func gainOf(slope [][6]float64, covariance *mat.SymDense) (*mat.Dense, error) {
	var rows []int
	for i := range slope {
		if !math.IsInf(covariance.At(i, i), 1) {
			rows = append(rows, i)
		}
	}
	m := len(rows)
	if m < 5 {
		return nil, errors.New("fewer than five couplings")
	}
	j, c := mat.NewDense(m, 6, nil), mat.NewSymDense(m, nil)
	scale := [6]float64{}
	for a, i := range rows {
		for k, v := range slope[i] {
			j.Set(a, k, v)
			scale[k] += v * v
		}
		for b, l := range rows[:a+1] {
			c.SetSym(a, b, covariance.At(i, l))
		}
	}
	for k := range scale {
		scale[k] = math.Sqrt(scale[k])
		if scale[k] == 0 {
			scale[k] = 1
		}
		for a := range m {
			j.Set(a, k, j.At(a, k)/scale[k])
		}
	}
	// L⁻¹J has the same pseudo-inverse problem without weights: gain = (L⁻¹J)⁺L⁻¹.
	var chol mat.Cholesky
	if !chol.Factorize(c) {
		return nil, errors.New("covariance of the couplings is not positive definite")
	}
	var l, inverse mat.TriDense
	chol.LTo(&l)
	if err := inverse.InverseTri(&l); err != nil {
		var bad mat.Condition
		if !errors.As(err, &bad) {
			return nil, err
		}
	}
	var white mat.Dense
	white.Mul(&inverse, j)
	var svd mat.SVD
	if !svd.Factorize(&white, mat.SVDThin) {
		return nil, errors.New("no singular values of the derivatives")
	}
	values := svd.Values(nil)
	var u, v mat.Dense
	svd.UTo(&u)
	svd.VTo(&v)
	pseudo := mat.NewDense(6, m, nil)
	for k, s := range values {
		if s < 1e-9*values[0] {
			continue
		}
		for i := range 6 {
			for a := range m {
				pseudo.Set(i, a, pseudo.At(i, a)+v.At(i, k)*u.At(a, k)/s)
			}
		}
	}
	var gain mat.Dense
	gain.Mul(pseudo, &inverse)
	out := mat.NewDense(6, len(slope), nil)
	for a, i := range rows {
		for k := range 6 {
			out.Set(k, i, gain.At(k, a)/scale[k])
		}
	}
	return out, nil
}

// pickupParameters of a coil: shift x y z, tilt x y z in the sensor frame,
// relative sensitivity.
const pickupParameters = 7

// derivatives of all couplings by the emitters' parameters, the pickups' and the
// gains of the drives' channels.
func (e *errorSources) derivatives(pose rigid.Pose, value []float64) (by [3]*mat.Dense, err error) {
	const k = fieldmodels.ParametersPerEmitter
	coils := len(e.device.Coils)
	n := len(value)
	by[0] = mat.NewDense(n, k*len(e.array.Emitters), nil)
	by[1] = mat.NewDense(n, pickupParameters*coils, nil)
	by[2] = mat.NewDense(n, len(e.rig.Channels), nil)
	for c, coil := range e.device.Coils {
		at := pose.Apply(coil.Center)
		axis := r3.Scale(coil.AreaTurns, pose.Rotate(coil.Axis))
		for i, emitter := range e.array.Emitters {
			row := i*coils + c
			b, d, err := emitter.ParameterDerivatives(at)
			if err != nil {
				return by, err
			}
			for p, v := range d {
				by[0].Set(row, k*i+p, r3.Dot(axis, v))
			}
			// A pickup that moves sees what an emitter that moves the other way shows.
			for p, unit := range [3]r3.Vec{{X: 1}, {Y: 1}, {Z: 1}} {
				u := pose.Rotate(unit)
				by[1].Set(row, pickupParameters*c+p, -r3.Dot(axis, r3.Add(r3.Add(r3.Scale(u.X, d[0]), r3.Scale(u.Y, d[1])), r3.Scale(u.Z, d[2]))))
				by[1].Set(row, pickupParameters*c+3+p, r3.Dot(r3.Cross(u, axis), b))
			}
			by[1].Set(row, pickupParameters*c+6, value[row])
			if ref := e.rig.Emitters[i].Reference; ref != nil {
				by[2].Set(row, ref.Channel, -value[row])
			}
		}
	}
	return by, nil
}

// tolerances of the pickups. A calibration has fitted them anew, and what is left
// of them then is not known here.
func (e *errorSources) tolerances() *mat.SymDense {
	coils := e.rig.Sensors[e.index].Coils
	c := mat.NewSymDense(pickupParameters*len(coils), nil)
	if e.rig.Calibration != nil {
		return c
	}
	for i, coil := range coils {
		t := coil.Tolerance
		sensitivity := math.Hypot(t.Sensitivity, e.rig.Channels[coil.Channel].Tolerance.Gain)
		for p, sigma := range [pickupParameters]float64{t.CenterM, t.CenterM, t.CenterM, t.AxisRad, t.AxisRad, t.AxisRad, sensitivity} {
			c.SetSym(pickupParameters*i+p, pickupParameters*i+p, sigma*sigma)
		}
	}
	return c
}

func (e *errorSources) driveGains() *mat.SymDense {
	c := mat.NewSymDense(len(e.rig.Channels), nil)
	if e.rig.Calibration != nil {
		return c
	}
	for i, channel := range e.rig.Channels {
		c.SetSym(i, i, channel.Tolerance.Gain*channel.Tolerance.Gain)
	}
	return c
}

// spread is s·c·sᵀ.
func spread(s *mat.Dense, c *mat.SymDense) *mat.SymDense {
	n, _ := s.Dims()
	var half, whole mat.Dense
	half.Mul(s, c)
	whole.Mul(&half, s.T())
	out := mat.NewSymDense(n, nil)
	for i := range n {
		for j := range i + 1 {
			out.SetSym(i, j, (whole.At(i, j)+whole.At(j, i))/2)
		}
	}
	return out
}
