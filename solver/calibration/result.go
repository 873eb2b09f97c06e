package calibration

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/lapack/lapack64"
	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels"
	"tonepose/fieldmodels/mutual"
	"tonepose/fieldmodels/rigid"
)

// Result is a finished calibration. It is filled even on an early stop. Its
// methods share working memory: one at a time.
type Result struct {
	Parameters []Parameter
	// Covariance of Parameters, in their units, with the tolerances as
	// knowledge. Tilts are rotation-vector components from the drawing.
	Covariance *mat.SymDense
	Gauges     []Gauge // freedoms that only tolerances hold

	Cost float64 // ½Σρ of all residuals
	// ChiSquare is the sum of squares of couplings, references, lengths and
	// stated tolerances, without the loss, and DOF their number less that of the
	// unknowns that they fix.
	ChiSquare float64
	DOF       int
	// EmitterChiSquare is the part of each emitter's couplings, and
	// EmitterCount their number.
	EmitterChiSquare []float64
	EmitterCount     []int

	Status     Status
	Iterations int // accepted and rejected steps

	fit   *fit
	inner *mat.SymDense // covariance of the columns
	wider *mat.SymDense // that of SetCovariance; nil: inner is all there is
}

// Parameter is one number that was free.
type Parameter struct {
	Name      string
	Unit      string // empty: dimensionless
	Group     Group
	Before    float64 // as drawn; tilts 0, strengths and sensitivities 1
	After     float64
	Sigma     float64 // one standard deviation of After
	Tolerance float64 // one sigma of Before as it was used; 0: none
	Assumed   bool    // Tolerance is one of a usual size, as none is stated
}

// Moved is the deviation from the drawing in standard deviations of After: how
// sure it is that the parameter differs.
func (p Parameter) Moved() float64 { return (p.After - p.Before) / p.Sigma }

func (f *fit) result(cost float64, iterations int, status Status, gauges []Gauge) (*Result, error) {
	r := &Result{
		Cost: cost, Iterations: iterations, Status: status, Gauges: gauges, fit: f,
		EmitterChiSquare: slices.Clone(f.emitterChi2), EmitterCount: slices.Clone(f.emitterCount),
	}
	f.reduce(0)
	var err error
	if r.inner, err = invert(f.normal.n, slices.Clone(f.reduced.s)); err != nil {
		return nil, err
	}
	for i, c := range f.layout.columns {
		before := f.nominal(i)
		change, _ := c.change(f.x[i])
		if f.prior[i] > 0 && !f.assumed[i] {
			r.ChiSquare += change * change / (f.prior[i] * f.prior[i])
			r.DOF++
		}
		r.Parameters = append(r.Parameters, Parameter{
			Name: c.name, Unit: c.unit, Group: c.group, Tolerance: f.prior[i], Assumed: f.assumed[i], Before: before, After: before + change,
		})
	}
	r.DOF -= len(f.x)
	for _, g := range gauges {
		if g.Default {
			r.DOF++
		}
	}
	r.Covariance = mat.NewSymDense(max(1, len(f.x)), nil)
	r.express(r.inner)
	f.lengths(func(_ *row, d float64) {
		r.ChiSquare += d * d
		r.DOF++
	})
	for s := range f.normal.blocks {
		b := &f.normal.blocks[s]
		r.ChiSquare += b.chi2 + b.prior
		r.DOF += b.used
		for _, inv := range f.reduced.own[s].Inverse {
			if inv != 0 {
				r.DOF--
			}
		}
	}
	return r, nil
}

// express fills the covariance of the parameters, and their sigmas, from that of the
// columns, where factors are logarithms.
func (r *Result) express(inner *mat.SymDense) {
	for i := range r.Parameters {
		_, si := r.fit.layout.columns[i].change(r.fit.x[i])
		r.Parameters[i].Sigma = si * math.Sqrt(inner.At(i, i))
		for k := i; k < len(r.Parameters); k++ {
			_, sk := r.fit.layout.columns[k].change(r.fit.x[k])
			r.Covariance.SetSym(i, k, si*sk*inner.At(i, k))
		}
	}
}

// invert returns the inverse of the positive definite matrix whose upper
// triangle is in data, which it overwrites.
func invert(n int, data []float64) (*mat.SymDense, error) {
	if n == 0 {
		return &mat.SymDense{}, nil
	}
	t, ok := lapack64.Potrf(symmetric(n, data))
	if !ok {
		return nil, fmt.Errorf("%w: the %d shared parameters are not all fixed: give a tolerance to the doubtful ones, or free fewer", errLinearAlgebra, n)
	}
	s, ok := lapack64.Potri(t)
	if !ok {
		return nil, fmt.Errorf("%w: covariance of the %d shared parameters", errLinearAlgebra, n)
	}
	return mat.NewSymDense(n, s.Data), nil
}

// nominal is what a column's zero stands for.
func (f *fit) nominal(i int) float64 {
	c := &f.layout.columns[i]
	part := func(at int, v r3.Vec) float64 {
		if k := i - at; k < 3 {
			return r3.Dot(v, axes[k])
		}
		return 0
	}
	switch c.group {
	case EmitterPosition:
		return part(f.layout.emitters[c.owner].place, f.problem.Emitters[c.owner].Center)
	case CoilPosition:
		return part(f.layout.coils[c.owner].place, f.bench.drawn[c.owner].Center)
	case EmitterStrength, CoilSensitivity, ChannelGain:
		return 1
	case Frame:
		return part(f.layout.frame, f.problem.Frame.Position)
	case Marker:
		return part(f.layout.markers[c.owner], f.problem.Sensors[c.owner].Marker.Position)
	}
	return 0
}

// rows returns a station's residuals with their derivatives, and writes its
// information into info.
func (f *fit) rows(info []float64, s int) (*tap, error) {
	rows := &tap{}
	f.tap = rows
	defer func() { f.tap = nil }()
	return rows, f.information(info, s)
}

// residuals returns a station's coupling residuals, predicted less observed in
// sigmas and without the loss, at index e·coils + c, real parts before imaginary
// ones; NaN where missing.
func (f *fit) residuals(rows *tap, s int) []float64 {
	n, coils := f.offset[s+1]-f.offset[s], len(f.problem.Sensors[f.problem.Stations[s].Sensor].Coils)
	out := slices.Repeat([]float64{math.NaN()}, n)
	if f.complex {
		out = append(out, out...)
	}
	for i, rw := range rows.rows {
		if rw.Emitter < 0 {
			continue
		}
		k := rw.Emitter*coils + rw.Pickup
		if f.complex && i%2 == 1 { // the couplings' rows are in pairs, before those of the reference
			k += n
		}
		out[k] = rows.plain[i]
	}
	return out
}

// Array returns the calibrated emitters, without what is Nearby, with their covariance: what is certain
// to move with the coils' sensitivities or the channels' gains alone is not
// counted, as no coupling depends on it.
func (r *Result) Array() (fieldmodels.Array, error) {
	f := r.fit
	a := fieldmodels.Array{}
	for i := range f.bench.emitters {
		e, drawn := &f.bench.emitters[i], &f.problem.Emitters[i]
		move := r.Emitter(i)
		a.Emitters = append(a.Emitters, fieldmodels.Emitter{
			Name: drawn.Name, Source: stronger(e.source, e.strength),
			Center: e.center, Axis: rigid.Rotate(rigid.Exp(move.Tilt), drawn.Axis),
		})
	}
	cov, err := r.emitterCovariance()
	a.Covariance = cov
	return a, err
}

// EmitterMove is how an emitter differs from its drawing.
type EmitterMove struct {
	Shift    r3.Vec  // [m]
	Tilt     r3.Vec  // rotation vector about the centre, rig frame [rad]
	Strength float64 // factor
}

// Emitter returns how emitter i differs from its drawing.
func (r *Result) Emitter(i int) EmitterMove {
	f := r.fit
	c, e := &f.layout.emitters[i], &f.bench.emitters[i]
	about := c.axes(f.problem.Emitters[i].Axis)
	return EmitterMove{Shift: r3.Sub(e.center, f.problem.Emitters[i].Center), Tilt: c.tilt(&about, f.x), Strength: e.strength}
}

// Sensor returns sensor s with its coils as they were found. Channel gains are
// not part of it.
func (r *Result) Sensor(s int) mutual.Sensor {
	f := r.fit
	out := f.problem.Sensors[s].drawn()
	for k := range out.Coils {
		c, coil := &f.bench.coils[f.layout.first[s]+k], &out.Coils[k]
		coil.Center, coil.Axis = c.center, c.axis
		coil.AreaTurns *= c.relative
	}
	return out
}

// ChannelMove is how a channel differs from its nominal gain and delay.
type ChannelMove struct {
	Gain  float64 // factor
	Phase float64 // [rad]
	Delay float64 // [s], more than nominal
}

// Channel returns how channel i differs from nominal.
func (r *Result) Channel(i int) ChannelMove { return r.fit.layout.channels[i].move(r.fit.x) }

// Frame returns the pose of the reference device's frame in the rig frame.
func (r *Result) Frame() rigid.Pose { return r.fit.bench.frame }

// Pose returns the adjusted pose of the sensor at a station.
func (r *Result) Pose(station int) rigid.Pose { return r.fit.poses[station] }

// Marker returns the pose of sensor s in its marker's frame.
func (r *Result) Marker(s int) rigid.Pose { return r.fit.bench.markers[s] }

// scaled is a source of another strength.
type scaled struct {
	source fieldmodels.Source
	factor float64
}

func (s scaled) Field(p r3.Vec) (r3.Vec, error) {
	b, err := s.source.Field(p)
	return r3.Scale(s.factor, b), err
}

func (s scaled) Gradient(p r3.Vec) (r3.Vec, fieldmodels.Jacobian, error) {
	b, j, err := s.source.Gradient(p)
	for i := range j {
		for k := range j[i] {
			j[i][k] *= s.factor
		}
	}
	return r3.Scale(s.factor, b), j, err
}

// stronger returns a source of k times the strength, in a form that solvers
// know how to evaluate fast where there is one.
func stronger(src fieldmodels.Source, k float64) fieldmodels.Source {
	switch s := src.(type) {
	case *fieldmodels.PlacedDipole:
		return &fieldmodels.PlacedDipole{Center: s.Center, Moment: r3.Scale(k, s.Moment)}
	case *fieldmodels.PlacedLoop:
		loop := *s
		loop.Loop.Turns *= k
		return &loop
	case fieldmodels.Polyline:
		s.Turns *= k
		return s
	}
	if k == 1 {
		return src
	}
	return scaled{src, k}
}
