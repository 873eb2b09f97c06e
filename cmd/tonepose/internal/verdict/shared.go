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
	for _, d := range g.result.Disturbed {
		d.Frames++
		d.weigh(c, len(g.coils))
	}
	return len(g.result.Disturbed) > 0
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

// doubtful tells that noise does not explain a frame.
func (g *Guard) doubtful(r *solver.Result) bool {
	if suspicious(r) {
		return true
	}
	v, err := g.inspector.Verdict(&g.observed, r, false)
	return err == nil && v.Distorted
}

// shared looks for tones that share their frequency with something else, among those
// of which shares says so: without them all others must agree, in both parts. One tone
// is tried before all of them together. It reports whether it found any, and then fits
// again. Where one factor explains the real parts and the imaginary ones fit, it is that.
func (g *Guard) shared(ctx context.Context, c *solver.Couplings, result *solver.Result, shares []string) bool {
	var some []int
	for e, s := range shares {
		if s != "" && !math.IsInf(c.Variance[e*len(g.coils)], 1) {
			some = append(some, e)
		}
	}
	if len(some) == 0 {
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
	if best == nil {
		return false
	}
	again, _, off, _ := g.inspector.Without(&g.observed, result, best...)
	for _, e := range best {
		d := g.disturbed(e, shares[e])
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

// disturbed is what is known of a tone that shares its frequency.
func (g *Guard) disturbed(emitter int, cause string) *Disturbed {
	for _, d := range g.result.Disturbed {
		if d.emitter == emitter {
			return d
		}
	}
	d := &Disturbed{Tone: g.emitters[emitter], Cause: cause, LeftOut: g.options.LeaveOut, emitter: emitter, power: make([]float64, len(g.coils))}
	g.result.Disturbed = append(g.result.Disturbed, d)
	return d
}

// String words it for a reader.
func (d *Disturbed) String() string {
	text := fmt.Sprintf("tone %s is disturbed: %s, which adds %.2g %% to its couplings; ", d.Tone, d.Cause, 100*d.Off)
	if d.LeftOut {
		return text + fmt.Sprintf("left out of %d frames", d.Frames)
	}
	return text + fmt.Sprintf("they count as much less in %d frames (--leave-out leaves them out)", d.Frames)
}
