package trajectory

import (
	"math"

	"tonepose/fieldmodels/lines"
	"tonepose/fieldmodels/rigid"
)

// lagged follows the covariance that a filter's error really has where windows
// overlap and share noise. The filter takes readings for independent, of 1 + 2Σρ
// times their variance: right for what it averages over many windows, too much for
// one that it hardly averages. Its gains K being what they are, its error
//
//	e ← (1 − K·H)·(F·e + w) − K·n
//
// has a covariance that follows from that of e with the readings' errors n to come.
// Whitened by their own roots, errors of frames l apart correlate by ρ_l.
type lagged struct {
	rho   []float64
	hop   float64 // [s]
	cov   matrix
	cross []matrix // of e with the errors of the readings 1, 2, 3 … frames later
	last  float64  // time [s]
}

// newLagged returns nil where readings are independent.
func newLagged(t *tracker) *lagged {
	if len(t.options.Correlation) == 0 || t.hop == 0 {
		return nil
	}
	return &lagged{rho: t.options.Correlation, hop: t.hop, cross: make([]matrix, len(t.options.Correlation)+1)}
}

// follow goes on by the frame that t took in last and returns the covariance of its
// pose.
func (n *lagged) follow(t *tracker, i int) (cov rigid.Covariance) {
	from := &t.now.cov
	if n != nil && t.started {
		n.step(t, i)
		from = &n.cov
	}
	for r := range cov {
		copy(cov[r][:], from[r][:6])
	}
	return cov
}

func (n *lagged) step(t *tracker, i int) {
	rec := &t.records[i]
	if rec.restarted {
		n.cov, n.last = t.vague(&rec.reading).cov, t.frames[i].Time
		clear(n.cross)
	} else {
		n.predict(t, i)
	}
	// cross[0] is now that with this frame's own errors, cross[l] with those l later.
	if rec.passed {
		copy(n.cross, n.cross[1:])
		n.cross[len(n.rho)] = matrix{}
		return
	}
	bend := t.bend()
	gain := gainOf(&t.now.cov, &rec.reading, bend, t.variance)
	var keep matrix // 1 − K·H
	for r := range keep {
		for j := range 6 {
			for k := j; k < 6; k++ {
				v := gain[r][j] * rec.root[j][k]
				keep[r][k] -= v
				keep[r][12+k] -= bend * v
			}
		}
		keep[r][r]++
	}
	own := product(&keep, &n.cross[0]) // of the error before and this frame's, through the gain
	half, back := product(&keep, &n.cov), keep.transposed()
	n.cov = product(&half, &back)
	for r := range size {
		for c := range r + 1 {
			for j := range 6 {
				n.cov[r][c] += gain[r][j]*gain[c][j] - own[r][j]*gain[c][j] - gain[r][j]*own[c][j]
			}
		}
	}
	n.cov.mirror()
	for l := range n.rho {
		next := product(&keep, &n.cross[l+1])
		for r := range size {
			for j := range 6 {
				next[r][j] -= n.rho[l] * gain[r][j]
			}
		}
		n.cross[l] = next
	}
	n.cross[len(n.rho)] = matrix{}
}

// predict carries all on to frame i.
func (n *lagged) predict(t *tracker, i int) {
	dt := t.frames[i].Time - n.last
	n.last = t.frames[i].Time
	// The flow is that of the estimate before, which is gone; its turn over one
	// frame follows from the estimate now but for what this frame moved it.
	x := t.now.x.after(-dt)
	f := x.flow(dt)
	f.carry(&n.cov)
	t.noise(&n.cov, dt, t.now.x.pose)
	skip := max(1, int(math.Round(dt/n.hop)))
	for l := range n.cross {
		if l+skip-1 >= len(n.rho) {
			n.cross[l] = matrix{}
			continue
		}
		if l > 0 || skip > 1 {
			n.cross[l] = n.cross[l+skip-1]
		}
		f.apply(&n.cross[l])
	}
}

// gainOf is P·Hᵀ/variance of a covariance after a reading.
func gainOf(p *matrix, o *reading, bend, variance float64) (gain [size][6]float64) {
	for r := range p {
		for j := range 6 {
			for k := j; k < 6; k++ {
				gain[r][j] += (p[r][k] + bend*p[r][12+k]) * o.root[j][k] / variance
			}
		}
	}
	return gain
}

func product(a, b *matrix) (c matrix) {
	lines.AddProduct(c[:], a[:], b[:])
	return c
}
