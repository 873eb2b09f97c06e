package integrity

import (
	"cmp"
	"math"
	"slices"

	"tonepose/solver"
)

// mostTried bounds the hypotheses that are fitted to a first frame, and with it a search:
// half of them reach each further frame of a race, so that fewer than 2·mostTried frames are
// fitted before the last few hypotheses are left. All those of twenty emitters and three
// coils are fewer.
const mostTried = 256

// mostFitted bounds the hypotheses that reach the last frame and are fitted with their factors,
// a few solves each.
const mostFitted = 48

// promising are the hypotheses to try: all, or where they are more than mostTried, all about
// the coils if these are few, as the emitters, and of the others those that leave the least
// chi-square at the pose that a frame was fitted with. Of sixteen coils or emitters or more,
// the one or two that are wrong hardly move it; of three, they move it anywhere.
func (x *Inspector) promising(c solver.Couplings, fit *solver.Result, hypotheses []Fault) []Fault {
	if len(hypotheses) <= mostTried {
		return hypotheses
	}
	if x.look(c, fit.Pose) != nil {
		return hypotheses[:mostTried]
	}
	type promise struct {
		fault Fault
		fall  float64 // of chi-square, less its degrees of freedom
	}
	count := map[Part]int{}
	for _, f := range hypotheses {
		count[f.Part]++
	}
	all := make([]promise, len(hypotheses))
	for i, f := range hypotheses {
		few := 2*count[f.Part] <= mostTried
		if all[i] = (promise{f, math.Inf(1)}); !few {
			all[i].fall = x.fall(c, &f)
		}
	}
	slices.SortStableFunc(all, func(a, b promise) int { return cmp.Compare(b.fall, a.fall) })
	tried := make([]Fault, mostTried)
	for i := range tried {
		tried[i] = all[i].fault
	}
	return tried
}

// fall is by how much chi-square falls at the pose that look saw, when a fault is mended,
// every coupling by itself.
func (x *Inspector) fall(c solver.Couplings, f *Fault) (fall float64) {
	parts, stride, step := x.emitters, x.coils, 1 // the couplings of a coil
	if f.Part == Emitter {
		parts, stride, step = x.coils, 1, x.coils
	}
	chi2 := func(i, from int) float64 { // of coupling i, read from another place
		if x.weight[i] == 0 || x.weight[from] == 0 {
			return 0
		}
		off := (c.Value[from] - x.model[i]) * x.weight[from]
		return off * off
	}
	for k := range parts {
		i := k*stride + f.A*step
		if f.Kind != Exchanged {
			if x.weight[i] > 0 {
				fall += chi2(i, i) - 1
			}
			continue
		}
		j := k*stride + f.B*step
		fall += chi2(i, i) + chi2(j, j) - chi2(i, j) - chi2(j, i)
	}
	return fall
}
