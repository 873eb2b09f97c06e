package verdict

import (
	"context"
	"math"

	"tonepose/solver"
	"tonepose/solver/integrity"
)

// What many frames of a stream show together. While a sensor stands, the mean of its
// couplings has as much less noise as frames went into it: a stretch of them is judged
// like one frame, and shows a small error of a gain that no frame by itself could tell
// from metal. What it shows stands until a stretch fits again. And the quadrature parts
// of frames that do not fit, each too noisy to tell why, tell together of eddy currents.

const (
	// standingSeconds is how long a stretch is: what begins within one has shown itself at
	// the end of the next, and is over alike.
	standingSeconds = 0.3
	// leastStanding is how many frames make a stretch at least.
	leastStanding = 4
	// standsWithin is how many sigmas of one frame a pose may be from the stretch's first.
	// Noise takes one of a million frames so far.
	standsWithin = 7
	// mostEddy is how many frames that do not fit are asked for eddy currents together:
	// of more, what the rig has wrong by little would show.
	mostEddy = 128
)

// standing is the stretch at hand.
type standing struct {
	frames      int
	sum         solver.Couplings // of them
	first       solver.Result
	begun, last float64 // times of the first and the last frame [s]

	next, wait float64 // when stretches that do not fit are searched again, and how long after that [s]
	chi2       float64 // of the stretch that was searched last

	eddy asked
}

// asked gathers the quadrature parts of frames that do not fit.
type asked struct {
	chi2          float64
	dof, frames   int
	seen, counted float64 // times of the last that did not fit, and of the last that is in [s]
	shown         bool    // they show eddy currents
}

// stand takes a frame of a sensor at rest, and at the end of a stretch looks for what
// its mean shows.
func (g *Guard) stand(ctx context.Context, c *solver.Couplings, r *solver.Result, f *Frame) error {
	s := &g.standing
	if r.Status != solver.Converged || r.DOF <= 0 {
		s.frames = 0
		return nil
	}
	if s.frames > 0 && (moved(&s.first, r) || !s.alike(c)) {
		s.frames = 0
	}
	if s.frames > 0 && f.Time-s.last < 0.999*f.Duration { // shares noise with the last one
		return nil
	}
	s.take(c, r, f.Time)
	if f.Time-s.begun < standingSeconds-0.5*f.Duration || s.frames < leastStanding {
		return nil
	}
	return g.judgeStretch(ctx, f.Time)
}

// moved tells whether a pose is farther from another than noise takes it.
func moved(from, to *solver.Result) bool {
	dp, dr := to.Pose.Minus(from.Pose)
	for k, d := range [6]float64{dp.X, dp.Y, dp.Z, dr.X, dr.Y, dr.Z} {
		if v := from.Covariance[k][k] + to.Covariance[k][k]; !(d*d <= standsWithin*standsWithin*v/2) {
			return true
		}
	}
	return false
}

// alike tells whether couplings are lost where those of the stretch are.
func (s *standing) alike(c *solver.Couplings) bool {
	for i, v := range c.Variance {
		if math.IsInf(v, 1) != math.IsInf(s.sum.Variance[i], 1) {
			return false
		}
	}
	return true
}

func (s *standing) take(c *solver.Couplings, r *solver.Result, time float64) {
	if s.frames == 0 {
		s.first, s.begun = *r, time
		s.sum.Value = append(s.sum.Value[:0], c.Value...)
		s.sum.Variance = append(s.sum.Variance[:0], c.Variance...)
		s.sum.Common = append(s.sum.Common[:0], c.Common...)
	} else {
		for i, v := range c.Value {
			s.sum.Value[i] += v
			s.sum.Variance[i] += c.Variance[i]
		}
		for i, v := range c.Common {
			s.sum.Common[i] += v
		}
	}
	s.last = time
	s.frames++
}

// mean turns the sums into the couplings of one frame with the noise of the mean.
func (s *standing) mean() *solver.Couplings {
	n := float64(s.frames)
	for i := range s.sum.Value {
		s.sum.Value[i] /= n
		s.sum.Variance[i] /= n * n
	}
	for i := range s.sum.Common {
		s.sum.Common[i] /= n * n
	}
	return &s.sum
}

// judgeStretch ends a stretch. A fault that it shows, or that stood and still explains
// it, stands from here on.
func (g *Guard) judgeStretch(ctx context.Context, time float64) error {
	s := &g.standing
	n, mean := s.frames, s.mean()
	s.frames = 0
	fit := g.solver.Warm(*mean, s.first.Pose)
	if !suspicious(&fit) {
		g.settled = nil
		s.next, s.wait, s.chi2 = time, 0, 0
		return nil
	}
	frames, fits := []solver.Couplings{*mean}, []solver.Result{fit}
	if g.settled != nil {
		if f := g.inspector.Confirm(ctx, frames, fits, g.settled.fault); f.Fault != nil && f.Fault.Same(g.settled.fault) {
			g.settled = g.stands(&f, n)
			return nil
		}
		g.settled = nil
	}
	if changed := s.chi2 > 0 && (fit.ChiSquare > changedSquare*s.chi2 || fit.ChiSquare*changedSquare < s.chi2); time < s.next && !changed {
		return nil
	} else if changed {
		s.wait = 0
	}
	f, err := g.inspector.Identify(ctx, frames, fits)
	if err != nil {
		return err
	}
	s.chi2 = fit.ChiSquare
	if f.Fault == nil {
		s.wait = min(max(s.wait*searchLonger, standingSeconds), searchRarely)
		s.next = time + s.wait
		return nil
	}
	s.next, s.wait = time, 0
	g.settled = g.stands(&f, n)
	return nil
}

// stands is the entry of a fault that so many frames have shown together.
func (g *Guard) stands(f *integrity.Finding, frames int) *Fault {
	k := g.entry(f.Fault)
	if k == nil {
		k = g.fault(f.Fault, f, 0)
		k.Before, k.DOF, k.After, k.Left = 0, 0, 0, 0
		g.result.Faults = append(g.result.Faults, k)
	}
	k.fault, k.Words, k.Rivals = *f.Fault, f.Fault.Words(g.coils, g.emitters), g.rivals(f)
	if f.Fault.GainSigma > 0 {
		k.Gain, k.Sigma = f.Fault.Gain, f.Fault.GainSigma
	}
	if k.Joint {
		k.Frames += frames
		k.Before, k.DOF, k.After, k.Left = k.Before+f.ChiSquare, k.DOF+f.DOF, k.After+f.Fault.ChiSquare, k.Left+f.Fault.DOF
	}
	return k
}

// askEddy takes in the quadrature parts of a frame that does not fit, and tells whether
// those of the last ones show eddy currents. They are asked each time there are twice as
// many.
func (g *Guard) askEddy(v *integrity.Verdict, f *Frame) bool {
	e := &g.standing.eddy
	if f.Time-e.seen > soundSeconds {
		*e = asked{counted: f.Time - f.Duration}
	}
	e.seen = f.Time
	e.shown = e.shown || v.Eddy
	if f.Flags&Motion != 0 || v.Quadrature.DOF <= 0 || e.frames == mostEddy || f.Time-e.counted < 0.999*f.Duration {
		return e.shown
	}
	e.chi2, e.dof, e.frames, e.counted = e.chi2+v.Quadrature.ChiSquare, e.dof+v.Quadrature.DOF, e.frames+1, f.Time
	if e.frames&(e.frames-1) == 0 && integrity.Chance(e.chi2, e.dof) < distortedChance {
		e.shown = true
	}
	return e.shown
}
