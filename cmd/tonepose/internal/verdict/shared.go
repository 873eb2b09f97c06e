package verdict

import (
	"context"
	"fmt"
	"math"

	"tonepose/solver"
	"tonepose/solver/integrity"
)

// Disturbed is a tone that shares its frequency with something else.
type Disturbed struct {
	Tone   string `json:"tone"`
	Cause  string `json:"cause"` // "it lies on the 103rd harmonic of 50 Hz"
	Frames int    `json:"frames"`
	// Off is the rms, over the frames that showed it, of what is added to the tone's
	// couplings, over that of the couplings themselves.
	Off     float64 `json:"off"`
	LeftOut bool    `json:"left_out,omitempty"`

	dormant        bool    // it was shown too long ago to count
	since          float64 // time from which on it was shown [s]
	emitter        int
	shown          float64   // frames
	power          []float64 // Σ |added|² by coil [H²]
	added, coupled float64   // Σ over coils
}

// Weigh takes what disturbs tones into account before a frame is fitted: to the
// variances of their couplings goes the mean square of what earlier frames showed
// beside the model, on each coil its own, or they are left out. It reports whether any
// tone is disturbed.
func (g *Guard) Weigh(c *solver.Couplings) bool {
	any := false
	for _, d := range g.result.Disturbed {
		if d.dormant {
			continue
		}
		any = true
		d.Frames++
		d.weigh(c, len(g.coils))
	}
	return any
}

func (d *Disturbed) weigh(c *solver.Couplings, coils int) {
	for k, p := range d.power {
		i := d.emitter*coils + k
		if d.LeftOut {
			c.Variance[i] = math.Inf(1)
		} else {
			c.Variance[i] += p / d.shown / 2 // of one component
		}
	}
}

// doubtful tells that noise does not explain a frame. Where noise does, the fit is sound, and
// v is the verdict that says so.
func (g *Guard) doubtful(r *solver.Result, v *integrity.Verdict) (doubt, sound bool) {
	if suspicious(r) {
		return true, false
	}
	var err error
	*v, err = g.inspector.Verdict(&g.observed, r, false)
	return err == nil && v.Distorted, err == nil && !v.Distorted
}

// shared looks for tones that share their frequency with something else, among those
// of which shares says so: without them all others must agree, in both parts. One tone
// is tried before all of them together. It reports whether it found any, and then fits
// again. Where one factor explains the real parts and the imaginary ones fit, it is that.
// Where nothing is known, one tone or two may still stand out by themselves: see unknown.
func (g *Guard) shared(ctx context.Context, c *solver.Couplings, result *solver.Result, shares []string, time float64) bool {
	var some []int
	for e, s := range shares {
		if s != "" && !math.IsInf(c.Variance[e*len(g.coils)], 1) {
			some = append(some, e)
		}
	}
	due := g.unknownDue()
	if len(some) == 0 && !due {
		return false
	}
	if v, err := g.inspector.Verdict(&g.observed, result, false); err == nil && !v.Eddy && g.inspector.Factor(ctx, *c, result) {
		return false
	}
	trials := [][]int{}
	for _, e := range some {
		trials = append(trials, []int{e})
	}
	if len(some) > 1 {
		trials = append(trials, some)
	}
	var best []int
	least := math.Inf(1)
	for _, t := range trials {
		r, q, _, ok := g.inspector.Without(&g.observed, result, t...)
		if ok && integrity.Agrees(&r, &q) && (len(t) == 1 || best == nil) && r.ChiSquare+q.ChiSquare < least {
			best, least = t, r.ChiSquare+q.ChiSquare
		}
	}
	cause := func(e int) string { return shares[e] }
	if best == nil && due {
		best = g.unknown(ctx, c, result)
		g.tried(best != nil)
		cause = func(int) string { return unknownCause }
	}
	if best == nil {
		return false
	}
	again, _, off, _ := g.inspector.Without(&g.observed, result, best...)
	for _, e := range best {
		d := g.disturbed(e, cause(e), time)
		d.Frames++
		d.shown++
		for k := range d.power {
			i := e*len(g.coils) + k
			p := real(off[i])*real(off[i]) + imag(off[i])*imag(off[i])
			model := c.Value[i] - real(off[i])
			d.power[k] += p
			d.added, d.coupled = d.added+p, d.coupled+model*model
		}
		d.Off = math.Sqrt(d.added / d.coupled)
		d.weigh(c, len(g.coils))
	}
	*result = g.solver.Warm(*c, again.Pose)
	return true
}

// unknownCause is that of a tone that only the misfit shows.
const unknownCause = "something adds to it that no pose explains, a line at its frequency or metal beside its emitter"

const (
	// standsOut is by how many sigmas a tone at least is off what all others say, where
	// nothing else is known of what disturbs it. Metal away from the emitters fades from
	// tone to tone: where it moves two by so much, others do not agree.
	standsOut = 10
	// leastLeft are the degrees of freedom without the tones, which must tell that the others
	// agree.
	leastLeft = 5
	// mostSuspects bounds the tones of which one or two are tried, which is some hundred fits.
	mostSuspects = 16
	// longestWait is how many frames that do not fit go by at most without a trial.
	longestWait = 64
)

// unknownDue tells whether it is time to look for tones that stand out: it takes as
// long as dozens of fits, so after one in vain ever more frames go by.
func (g *Guard) unknownDue() bool {
	if g.waiting > 0 {
		g.waiting--
		return false
	}
	return true
}

func (g *Guard) tried(found bool) {
	g.patience = min(2*g.patience+1, longestWait)
	if found {
		g.patience = 0
	}
	g.waiting = g.patience
}

// unknown finds the tone, or the two, without which all others agree in both parts, and
// which are so far off them, and not in the real part alone, that it is no strength and
// no place that the rig has wrong.
func (g *Guard) unknown(ctx context.Context, c *solver.Couplings, result *solver.Result) (best []int) {
	there := g.inspector.Worst(&g.observed, result, mostSuspects)
	least := math.Inf(1)
	try := func(some ...int) {
		if ctx.Err() != nil {
			return
		}
		r, q, off, ok := g.inspector.Without(&g.observed, result, some...)
		if !ok || r.DOF < leastLeft || !integrity.Agrees(&r, &q) || r.ChiSquare+q.ChiSquare >= least {
			return
		}
		turned := false
		for _, e := range some {
			most := 0.0
			for i := e * len(g.coils); i < (e+1)*len(g.coils); i++ {
				re, im := real(off[i])*real(off[i])/c.Variance[i], imag(off[i])*imag(off[i])/c.Variance[i]
				most = max(most, re, im)
				turned = turned || im > standsOut*standsOut
			}
			if most < standsOut*standsOut {
				return
			}
		}
		if turned {
			best, least = some, r.ChiSquare+q.ChiSquare
		}
	}
	for _, e := range there {
		try(e)
	}
	if best != nil {
		return best
	}
	for i, e := range there {
		for _, f := range there[:i] {
			try(f, e)
		}
	}
	return best
}

// disturbed is what is known of a tone that shares its frequency.
func (g *Guard) disturbed(emitter int, cause string, time float64) *Disturbed {
	for _, d := range g.result.Disturbed {
		if d.emitter == emitter {
			if d.dormant {
				d.dormant, d.since, d.shown = false, time, 0
				clear(d.power)
			}
			return d
		}
	}
	d := &Disturbed{Tone: g.emitters[emitter], Cause: cause, LeftOut: g.options.LeaveOut, since: time, emitter: emitter, power: make([]float64, len(g.coils))}
	g.result.Disturbed = append(g.result.Disturbed, d)
	return d
}

// String words it for a reader.
func (d *Disturbed) String() string {
	text := fmt.Sprintf("tone %s is disturbed: %s, which adds %.4g %% to its couplings; ", d.Tone, d.Cause, 100*d.Off)
	if d.LeftOut {
		return text + fmt.Sprintf("left out of %d frames", d.Frames)
	}
	return text + fmt.Sprintf("they count as much less in %d frames (--leave-out leaves them out)", d.Frames)
}
