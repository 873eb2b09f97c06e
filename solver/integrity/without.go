package integrity

import (
	"cmp"
	"math"
	"slices"

	"tonepose/fieldmodels/rigid"
	"tonepose/solver"
)

// Without fits a frame again without some emitters, and judges both parts of what is
// left: where all others agree, something is added to the tones of those. Off holds, at
// the places of their couplings, what was measured less what the pose gives [H], zero
// elsewhere; it is the Inspector's own, until the next call.
func (x *Inspector) Without(o *Observation, r *solver.Result, emitters ...int) (result solver.Result, q Quadrature, off []complex128, ok bool) {
	x.take(o.Couplings)
	for _, e := range emitters {
		for i := e * x.coils; i < (e+1)*x.coils; i++ {
			x.trial.Variance[i] = math.Inf(1)
		}
	}
	left := x.trial.Clone()
	result = x.guess(left, r.Pose)
	if result.Status != solver.Converged || result.DOF <= 0 {
		return result, q, nil, false
	}
	q, err := x.quadrature(&Observation{Couplings: left, Quadrature: o.Quadrature, Hz: o.Hz, Moving: o.Moving}, result.Pose)
	if err != nil {
		return result, q, nil, false
	}
	if x.off == nil {
		x.off = make([]complex128, len(o.Value))
	}
	clear(x.off)
	for _, e := range emitters {
		for i := e * x.coils; i < (e+1)*x.coils; i++ {
			x.off[i] = complex(o.Value[i]-x.model[i], o.Quadrature[i])
		}
	}
	return result, q, x.off, true
}

// guess solves what a guess has left of a frame. Most guesses are wrong, and what no pose explains takes
// hundreds of times as long to follow to its minimum as what one does: a right one fits from the pose at
// hand, or from one of the first cells, within a few steps.
func (x *Inspector) guess(left solver.Couplings, at rigid.Pose) solver.Result {
	if !x.hurry() {
		return solver.Result{Status: solver.NotConverged}
	}
	result := x.quick.Warm(left, at)
	if result.Status != solver.Converged || result.Outside || Chance(result.ChiSquare, result.DOF) < explained {
		if cold := x.quick.Cold(left); cold.ChiSquare < result.ChiSquare || result.Status == solver.Unobservable {
			result = cold
		}
	}
	if result.Status == solver.Converged || result.ChiSquare < nearly*float64(max(1, result.DOF)) {
		return x.solver.Warm(left, result.Pose)
	}
	return result
}

// nearly is how many times its degrees of freedom a guess's chi-square may be for it to be followed
// farther: a minimum is that near when the next steps find it.
const nearly = 1e4

// Agrees tells that noise explains both parts of a frame.
func Agrees(r *solver.Result, q *Quadrature) bool {
	return Chance(r.ChiSquare, r.DOF) >= explained && Chance(q.ChiSquare, q.DOF) >= explained
}

// Worst are the emitters of which couplings are there, or if they are more than so many,
// those of which both parts are farthest off the pose of a fit; in their order.
func (x *Inspector) Worst(o *Observation, r *solver.Result, most int) (emitters []int) {
	off := make([]float64, x.emitters)
	seen := x.look(o.Couplings, r.Pose) == nil
	for e := range x.emitters {
		there := false
		for i := e * x.coils; i < (e+1)*x.coils; i++ {
			if x.weight[i] > 0 {
				there = true
				if d, q := (o.Value[i]-x.model[i])*x.weight[i], o.Quadrature[i]*x.weight[i]; seen {
					off[e] += d*d + q*q
				}
			}
		}
		if there {
			emitters = append(emitters, e)
		}
	}
	if len(emitters) > most {
		slices.SortStableFunc(emitters, func(a, b int) int { return cmp.Compare(off[b], off[a]) })
		emitters = emitters[:most]
		slices.Sort(emitters)
	}
	return emitters
}
