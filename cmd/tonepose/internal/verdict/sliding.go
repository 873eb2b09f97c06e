package verdict

import "tonepose/solver"

// A stream has no whole that could be settled: a Guard that slides forgets what was wrong
// once it is over, and looks anew for what begins then.

const (
	// soundSeconds without a frame that does not fit end what was wrong before.
	soundSeconds = 0.5
	// searchSeconds is how long after a search in vain the next one comes, in the frames
	// since then: the first frame that does not fit lies half in what is wrong. Each
	// time in vain it is searchLonger times as long, up to searchRarely.
	searchSeconds, searchLonger, searchRarely = 0.1, 3, 10
	// disturbedSeconds is how long a tone counts as disturbed until it must show it again.
	disturbedSeconds = 1
	// keptSeconds is how long a stretch is of which frames are kept.
	keptSeconds = 4
)

// slide is the state of a Guard that slides.
type slide struct {
	bad, next float64 // times of the last frame that did not fit, and from which on faults are searched [s]
	wait      float64 // from one search to the next [s]
	chi2      float64 // of the frame that was searched last
	kept      float64 // since when frames are kept [s]
	begun     bool
}

// pass takes note of a frame's time and fit before it is judged.
func (g *Guard) pass(r *solver.Result, time float64) {
	s := &g.slide
	if !s.begun {
		*s = slide{begun: true, bad: time - soundSeconds, next: time, wait: searchSeconds, kept: time}
	}
	if time-s.kept >= keptSeconds {
		g.kept.reset()
		s.kept = time
	}
	for _, d := range g.result.Disturbed {
		if !d.dormant && time-d.since >= disturbedSeconds {
			d.dormant, g.waiting = true, 0
		}
	}
	if !suspicious(r) {
		return
	}
	if time-s.bad >= soundSeconds { // something new
		g.poor.reset()
		s.next, s.wait = time, searchSeconds
		g.waiting, g.patience = 0, 0
		for _, k := range g.result.Faults {
			k.wait, k.patience = 0, 0
		}
	} else if s.chi2 > 0 && (r.ChiSquare > changedSquare*s.chi2 || r.ChiSquare*changedSquare < s.chi2) {
		s.wait, s.chi2 = searchSeconds, 0 // something else
		s.next = min(s.next, time+s.wait)
	}
	s.bad = time
}

// changedSquare is the factor between the chi-squares of two frames from which on
// something else is wrong with the second.
const changedSquare = 10

// dueNow tells whether faults are to be searched for in a frame that does not fit.
func (g *Guard) dueNow(r *solver.Result, time float64) bool {
	s := &g.slide
	if time < s.next {
		return false
	}
	s.chi2 = r.ChiSquare
	s.next = time + s.wait
	s.wait = min(s.wait*searchLonger, searchRarely)
	return true
}
