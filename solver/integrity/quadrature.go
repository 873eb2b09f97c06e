package integrity

import (
	"math"

	"gonum.org/v1/gonum/floats"

	"tonepose/fieldmodels/rigid"
)

// Quadrature is what the imaginary parts of one frame's couplings say, after
// all that motion and delays explain.
type Quadrature struct {
	ChiSquare float64
	DOF       int // 0: nothing left to judge
	// Delay is by how much each coil's channel lags beyond what the rig says
	// [s], DelaySigma its standard deviation; nil when not known. They are the
	// Inspector's own, until its next Verdict.
	Delay, DelaySigma []float64
}

// quadrature judges the imaginary parts at a pose. Three things that are no
// metal are fitted and taken off:
//
//   - motion: a moving coil adds −(dM/dt)/ω, the pose's derivative times an
//     unknown velocity, over ω;
//   - a delay of a coil's channel that the rig does not know of: −ω·delay·Re M;
//   - the unknown phase of a current that is not digitised: phase·Re M.
//
// What is left comes from currents that lag: eddy currents in metal.
func (x *Inspector) quadrature(o *Observation, pose rigid.Pose) (Quadrature, error) {
	if o.Quadrature == nil {
		return Quadrature{}, nil
	}
	if err := x.glance(o.Couplings, pose); err != nil {
		return Quadrature{}, err
	}
	b := &x.nuisance
	b.reset()
	for k := range 6 {
		for i := range x.work {
			x.work[i] = x.jacobian[i][k] * x.weight[i] / (2 * math.Pi * o.Hz[i/x.coils])
		}
		b.add(x.work)
	}
	for e := range x.emitters {
		if x.Unreferenced == nil || !x.Unreferenced[e] {
			continue
		}
		clear(x.work)
		for i := e * x.coils; i < (e+1)*x.coils; i++ {
			x.work[i] = x.model[i] * x.weight[i]
		}
		b.add(x.work)
	}
	first := b.added
	for c := range x.coils {
		clear(x.work)
		for i := c; i < len(x.work); i += x.coils {
			x.work[i] = -2 * math.Pi * o.Hz[i/x.coils] * x.model[i] * x.weight[i]
		}
		b.add(x.work)
	}
	n := 0
	clear(x.work)
	for i, w := range x.weight {
		if w > 0 {
			n++
			x.work[i] = o.Quadrature[i] * w
		}
	}
	value, sigma := b.fit(x.work)
	b.clean(x.work)
	return Quadrature{ChiSquare: floats.Dot(x.work, x.work), DOF: n - b.count, Delay: value[first:], DelaySigma: sigma[first:]}, nil
}
