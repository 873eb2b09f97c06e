package integrity

import (
	"context"
	"math"

	"tonepose/solver"
)

// Crossing is an exchange between a coil of one sensor and a coil of another.
type Crossing struct {
	A, B int // coils, of the first and of the second sensor
	// ChiSquare and DOF of both sensors' frames as they are, Left and LeftDOF with
	// the two channels exchanged back.
	ChiSquare, Left float64
	DOF, LeftDOF    int
	Rivals          [][2]int // other pairs that explain them as well
}

// Across looks for a pair of channels that were exchanged between two sensors, in
// frames that both took at the same times, with the given fits; false when none
// explains them. Every pair is a hypothesis, and the best has a name under the
// rules of Identify for exchanges, with each sensor by itself: one that does not
// fit as it is must with the pair exchanged back, and one that does still must (a lone
// coil's channel fits wherever its coil is). Frames that fit cost nothing.
//
// It ends with the context's error soon after that is done.
func Across(ctx context.Context, x, y *Inspector, framesX, framesY []solver.Couplings, fitsX, fitsY []solver.Result) (Crossing, bool, error) {
	ofX, badX := before(framesX, fitsX)
	ofY, badY := before(framesY, fitsY)
	if !badX && !badY || ofX.DOF == 0 || ofY.DOF == 0 || len(framesX) != len(framesY) || x.emitters != y.emitters || !x.hurry() || !y.hurry() {
		return Crossing{}, false, nil
	}
	type pair struct {
		a, b  int
		left  float64
		dof   int
		clear bool // of both sensors
	}
	var tried []pair
	best := -1
	for a := range x.coils {
		for b := range y.coils {
			leftX, dofX, ok := x.swapped(ctx, framesX, framesY, a, b, y.coils, bound(&ofX, badX))
			if !ok {
				continue
			}
			leftY, dofY, ok := y.swapped(ctx, framesY, framesX, b, a, x.coils, bound(&ofY, badY))
			if !ok {
				continue
			}
			tried = append(tried, pair{a, b, leftX + leftY, dofX + dofY,
				clears(&ofX, badX, leftX, dofX) && clears(&ofY, badY, leftY, dofY)})
			if last := len(tried) - 1; best < 0 || tried[last].left < tried[best].left {
				best = last
			}
		}
	}
	if err := ctx.Err(); err != nil || best < 0 || !tried[best].clear {
		return Crossing{}, false, err
	}
	f := tried[best]
	out := Crossing{A: f.a, B: f.b, ChiSquare: ofX.ChiSquare + ofY.ChiSquare, DOF: ofX.DOF + ofY.DOF, Left: f.left, LeftDOF: f.dof}
	dispersion := max(1, f.left/float64(f.dof))
	if Chance((out.ChiSquare-f.left)/dispersion, 1)*float64(x.coils*y.coils) > falseName {
		return Crossing{}, false, nil
	}
	for i, p := range tried {
		if i != best && (p.left-f.left)/dispersion < -2*math.Log(rivalry) {
			out.Rivals = append(out.Rivals, [2]int{p.a, p.b})
		}
	}
	return out, true, nil
}

// clears tells whether what is left of a sensor's chi-square is explained.
func clears(was *Finding, bad bool, left float64, dof int) bool {
	return Chance(left, dof) >= explained || bad && was.ChiSquare >= outweighs*left
}

// bound is the chi-square above which a hypothesis is given up.
func bound(was *Finding, bad bool) float64 {
	if bad {
		return was.ChiSquare
	}
	return math.Inf(1)
}

// swapped solves frames with coil a read from coil b of the other sensor.
func (x *Inspector) swapped(ctx context.Context, frames, other []solver.Couplings, a, b, coils int, limit float64) (left float64, dof int, ok bool) {
	k := 0
	poses, left, dof, _ := x.start(ctx, frames, limit, func(c solver.Couplings) {
		x.take(c)
		for e := range x.emitters {
			x.trial.Value[e*x.coils+a] = other[k].Value[e*coils+b]
			x.trial.Variance[e*x.coils+a] = other[k].Variance[e*coils+b]
		}
		k++
	})
	return left, dof, poses != nil && dof > 0
}
