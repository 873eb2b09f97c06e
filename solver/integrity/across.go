package integrity

import (
	"cmp"
	"context"
	"math"
	"slices"

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
// Of more than mostTried pairs the most promising are tried, and after each of the first frames the
// worse half of them is left behind, so that it takes no longer than 4·mostTried fits of a frame,
// one for either sensor, and those of some last pairs, however many coils there are. It
// ends with the context's error soon after that is done.
func Across(ctx context.Context, x, y *Inspector, framesX, framesY []solver.Couplings, fitsX, fitsY []solver.Result) (Crossing, bool, error) {
	ofX, badX := before(framesX, fitsX)
	ofY, badY := before(framesY, fitsY)
	if !badX && !badY || ofX.DOF == 0 || ofY.DOF == 0 || len(framesX) != len(framesY) || x.emitters != y.emitters || !x.hurry() || !y.hurry() {
		return Crossing{}, false, nil
	}
	limitX, limitY := bound(&ofX, badX), bound(&ofY, badY)
	tried := pairs(x, y, framesX[0], framesY[0], &fitsX[0], &fitsY[0])
	each, all := rounds(len(tried), len(framesX))
	report, past := x.reporting(all), 0
	for k := range framesX {
		kept := tried[:0]
		for i, p := range tried {
			report(past + i)
			if x.swapped(ctx, framesX[k], framesY[k], p.a, p.b, y.coils, &p.x, limitX) &&
				y.swapped(ctx, framesY[k], framesX[k], p.b, p.a, x.coils, &p.y, limitY) {
				kept = append(kept, p)
			}
		}
		slices.SortStableFunc(kept, func(a, b pair) int { return cmp.Compare(a.left(), b.left()) })
		if tried = kept; k+1 < min(len(framesX), raceFrames) {
			tried = tried[:min(len(tried), max(survivors, (len(tried)+1)/2))]
		}
		past += each[k]
	}
	report(all)
	if err := ctx.Err(); err != nil || len(tried) == 0 {
		return Crossing{}, false, err
	}
	f := &tried[0]
	if f.x.DOF <= 0 || f.y.DOF <= 0 || !clears(&ofX, badX, &f.x) || !clears(&ofY, badY, &f.y) {
		return Crossing{}, false, nil
	}
	out := Crossing{A: f.a, B: f.b, ChiSquare: ofX.ChiSquare + ofY.ChiSquare, DOF: ofX.DOF + ofY.DOF, Left: f.left(), LeftDOF: f.x.DOF + f.y.DOF}
	dispersion := max(1, out.Left/float64(out.LeftDOF))
	if Chance((out.ChiSquare-out.Left)/dispersion, 1)*float64(x.coils*y.coils) > falseName {
		return Crossing{}, false, nil
	}
	for _, p := range tried[1:] {
		if (p.left()-out.Left)/dispersion < -2*math.Log(rivalry) {
			out.Rivals = append(out.Rivals, [2]int{p.a, p.b})
		}
	}
	return out, true, nil
}

// pair is a coil of one sensor and one of another, with what is left of each sensor's frames when
// they are exchanged back.
type pair struct {
	a, b int
	x, y Finding
}

func (p *pair) left() float64 { return p.x.ChiSquare + p.y.ChiSquare }

// pairs are those to try: all, or where these are more than mostTried, those that leave least
// of chi-square at the poses of a frame's fits; see promising.
func pairs(x, y *Inspector, ofX, ofY solver.Couplings, fitX, fitY *solver.Result) []pair {
	list := make([]pair, 0, x.coils*y.coils)
	for a := range x.coils {
		for b := range y.coils {
			list = append(list, pair{a: a, b: b})
		}
	}
	if len(list) <= mostTried || x.look(ofX, fitX.Pose) != nil || y.look(ofY, fitY.Pose) != nil {
		return list[:min(len(list), mostTried)]
	}
	left := make(map[[2]int]float64, len(list))
	for _, p := range list {
		left[[2]int{p.a, p.b}] = x.worsens(ofX, ofY, p.a, p.b, y.coils) + y.worsens(ofY, ofX, p.b, p.a, x.coils)
	}
	slices.SortStableFunc(list, func(p, q pair) int { return cmp.Compare(left[[2]int{p.a, p.b}], left[[2]int{q.a, q.b}]) })
	return list[:mostTried]
}

// worsens is by how much chi-square grows at the pose that look saw, when coil a is read from coil
// b of the other sensor.
func (x *Inspector) worsens(c, other solver.Couplings, a, b, coils int) (rise float64) {
	for e := range x.emitters {
		i, j := e*x.coils+a, e*coils+b
		own := (c.Value[i] - x.model[i]) * x.weight[i]
		read := 0.0
		if !math.IsInf(other.Variance[j], 1) {
			read = (other.Value[j] - x.model[i]) / math.Sqrt(other.Variance[j])
		}
		rise += read*read - own*own
	}
	return rise
}

// clears tells whether what is left of a sensor's chi-square is explained.
func clears(was *Finding, bad bool, is *Finding) bool {
	return Chance(is.ChiSquare, is.DOF) >= explained || bad && was.ChiSquare >= outweighs*is.ChiSquare
}

// bound is the chi-square above which a hypothesis is given up.
func bound(was *Finding, bad bool) float64 {
	if bad {
		return was.ChiSquare
	}
	return math.Inf(1)
}

// swapped solves one more frame with coil a read from coil b of the other sensor, and tells whether
// what is left of all so far is within a limit.
func (x *Inspector) swapped(ctx context.Context, frame, other solver.Couplings, a, b, coils int, f *Finding, limit float64) bool {
	poses, left, dof, _ := x.start(ctx, []solver.Couplings{frame}, limit-f.ChiSquare, func(c solver.Couplings) {
		x.take(c)
		for e := range x.emitters {
			x.trial.Value[e*x.coils+a] = other.Value[e*coils+b]
			x.trial.Variance[e*x.coils+a] = other.Variance[e*coils+b]
		}
	})
	f.ChiSquare, f.DOF = f.ChiSquare+left, f.DOF+dof
	return poses != nil
}
