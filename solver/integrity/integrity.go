// Package integrity judges whether couplings are what they should be: fits
// that a few wrong couplings do not dominate, channels and emitters that are
// wrong, metal near the bench, and how far a pose can be off for it.
//
// New makes an Inspector of a Solver. Robust solves with a loss in place of
// plain squares; Verdict judges one frame and bounds the error of its pose;
// Identify names the coil or emitter that explains a misfit, from one frame or
// from several, and Mend leaves it out; Across names channels that were exchanged
// between two sensors. Couplings are in henry, poses and bounds in metres and radians in the
// rig frame.
package integrity

import (
	"math"

	"tonepose/fieldmodels/rigid"
	"tonepose/solver"
)

// Observation is one frame of couplings, with what distinguishes metal, motion and a
// wrong delay.
type Observation struct {
	solver.Couplings
	Quadrature []float64 // Im M [H], with the variances of Re M; nil: not known
	Hz         []float64 // frequency of each emitter's tone; not needed without Quadrature
	Moving     bool      // the sensor moves within the window, which the quadrature parts show
}

// Inspector holds the working memory for one sensor. It is not safe for
// concurrent use.
type Inspector struct {
	solver   *solver.Solver
	quick    *solver.Solver // gives up sooner on couplings that fit nowhere; nil until needed
	emitters int
	coils    int
	free     int // degrees of freedom of a pose

	// Unreferenced marks emitters whose current is not digitised: the phase of
	// their current is a guess, which the quadrature parts must not be blamed
	// for. Nil: none.
	Unreferenced []bool

	// Progress is told, on the goroutine that searches, how much of a search for faults is done, in
	// fits of a frame; the total is what it takes at most. Nil: nobody is.
	Progress func(done, total int)

	shared   shared
	model    []float64    // at the last pose looked at
	jacobian [][6]float64 // alike
	weight   []float64    // one over sigma; 0: missing
	residual []float64
	pose     basis // columns of the whitened Jacobian
	nuisance basis // what else moves the quadrature
	work     []float64
	trial    solver.Couplings
	off      []complex128 // of Without
}

// New prepares an Inspector. It solves with a copy of s.
func New(s *solver.Solver) *Inspector {
	p := s.Problem()
	x := &Inspector{solver: s.Clone(), emitters: len(p.Array.Emitters), coils: len(p.Sensor.Coils), free: s.Freedom()}
	n := x.emitters * x.coils
	x.model, x.jacobian = make([]float64, n), make([][6]float64, n)
	x.weight, x.residual, x.work = make([]float64, n), make([]float64, n), make([]float64, n)
	x.trial = solver.Couplings{Value: make([]float64, n), Variance: make([]float64, n)}
	x.pose.init(n, 6)
	x.nuisance.init(n, 6+x.coils+x.emitters)
	return x
}

// reporting counts what a search has done of a total, for Progress.
func (x *Inspector) reporting(total int) (done func(to int)) {
	if x.Progress == nil {
		return func(int) {}
	}
	most := 0
	x.Progress(0, total)
	return func(to int) {
		most = min(max(most, to), total)
		x.Progress(most, total)
	}
}

// rounds is how many of a field of hypotheses reach each of so many frames, and all together, where
// after each of the first the worse half is left behind.
func rounds(field, frames int) (each []int, all int) {
	for k := range frames {
		if k > 0 && k < raceFrames {
			field = min(field, max(survivors, (field+1)/2))
		}
		each, all = append(each, field), all+field
	}
	return each, all
}

// look evaluates the model at a pose.
func (x *Inspector) look(c solver.Couplings, pose rigid.Pose) error {
	x.weigh(c)
	return x.solver.Evaluate(pose, x.model, x.jacobian)
}

// glance is look with the errors of a fit: enough for what quadrature parts are judged
// beside, which are a thousandth of the couplings where a sensor moves.
func (x *Inspector) glance(c solver.Couplings, pose rigid.Pose) error {
	x.weigh(c)
	return x.solver.EvaluateFast(pose, x.model, x.jacobian)
}

func (x *Inspector) weigh(c solver.Couplings) {
	for i, v := range c.Variance {
		x.weight[i] = 0
		if !math.IsInf(v, 1) {
			x.weight[i] = 1 / math.Sqrt(v)
		}
	}
}

// take copies couplings to x.trial.
func (x *Inspector) take(c solver.Couplings) {
	copy(x.trial.Value, c.Value)
	copy(x.trial.Variance, c.Variance)
	x.trial.Common = append(x.trial.Common[:0], c.Common...)
}

// used counts the couplings that are not missing.
func used(variance []float64) (n int) {
	for _, v := range variance {
		if !math.IsInf(v, 1) {
			n++
		}
	}
	return n
}
