package leastsquares

import "math"

// Equations are the normal equations of a problem that forms and solves its own,
// such as one with blocks or bands.
type Equations interface {
	// Step finds the step from the point at hand, the diagonal of the equations
	// being multiplied by 1 + damping. It returns the fall of the cost that the
	// linear model promises; false where the equations are singular.
	Step(damping float64) (fall float64, ok bool)
	// Take goes by the step found last and forms the equations there. It returns
	// the cost, +Inf where there is none.
	Take() (cost float64, err error)
	// Back undoes Take.
	Back() error
}

// maxDamping ends a descent: steps of no length do not help either.
const maxDamping = 1e16

// Descend lowers a cost from the point at hand, where the equations are formed, until
// an undamped step promises no more than tol, and leaves the equations of the point where
// it ends. It begins as Gauss–Newton; damping comes with the first step that fails. The
// error is that of Take or Back.
//
// Damping falls by the gain after H. B. Nielsen, Damping parameter in Marquardt's
// method, IMM-REP-1999-05, Technical University of Denmark, 1999, who lets it fall to a
// third at a time at most; to a tenth here, as it is then sooner back at Gauss–Newton, of
// which the last steps are.
func Descend(e Equations, cost, tol float64, iterations int) (float64, int, Status, error) {
	damping, grow := 0.0, 2.0
	tried := false // undamped, since the last step that helped
	for iteration := range iterations {
		fall, ok := e.Step(damping)
		if ok && fall <= tol {
			switch {
			case damping == 0:
				return cost, iteration, costFlat, nil
			case tried:
				return cost, iteration, Stalled, nil
			}
			// A damped step promises little anywhere, if it is only damped enough.
			damping, grow, tried = 0, 2, true
			continue
		}
		if ok {
			next, err := e.Take()
			if err != nil {
				return cost, iteration, notStarted, err
			}
			if ratio := (cost - next) / fall; ratio > 1e-3 {
				cost, tried = next, false
				t := 2*ratio - 1
				if damping, grow = damping*math.Max(0.1, 1-t*t*t), 2; damping < 1e-9 {
					damping = 0
				}
				continue
			}
			if err := e.Back(); err != nil {
				return cost, iteration, notStarted, err
			}
		}
		if damping == 0 { // to where the damping shows
			damping = 1e-4
		} else {
			damping *= grow
		}
		if grow *= 2; damping > maxDamping {
			return cost, iteration + 1, Stalled, nil
		}
	}
	return cost, iterations, iterationLimit, nil
}
