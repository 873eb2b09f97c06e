package trajectory

import (
	"math"

	"tonepose/fieldmodels/rigid"
)

// share is how much smaller or larger than stated a smoother's variances are. It states
// them in two parts: what the windows' noise leaves in the
// estimate, and what of the motion the estimate does not follow. With white
// jerk of strength q seen through noise of the density S it passes
//
//	A(ω) = 1/(1 + (ω/ω_c)^2m),  ω_c = (q/S)^(1/2m),  m = 3 (white acceleration: 2)
//
// of the frequency ω and states ∫A·S: noise ∫A²·S, motion ∫A(1−A)·S. The noise is
// sure. The motion is as large only if it really has the power of white jerk where A
// falls: a hand that moves smoothly has less, a jerky one more. How much, what the
// smoother leaves over tells: smoothed once more, it holds ∫A²(1−A)²·S of noise and
// ∫A(1−A)³·S of motion by the model. The share of the latter that is there is that of
// the former too.
//
// Where windows overlap, S is the density at frequency 0; that of their noise falls.
type share struct {
	of [2]float64 // of the variances of position and rotation as stated
}

// spectrum is a smoother's way with one kind of motion.
type spectrum struct {
	order  int     // 2m
	cutoff float64 // ω_c [rad/s]
}

// spectrumOf is that of a strength and the variance of windows hop apart.
func (m Motion) spectrumOf(strength, variance, hop float64) spectrum {
	order := m.free() / 3 // 6 or 4
	return spectrum{order, math.Pow(strength/(variance*hop), 1/float64(order))}
}

// mean is that over the frequencies of windows hop apart of a function of A.
func (s spectrum) mean(hop float64, f func(a, omega float64) float64) float64 {
	const n = 2000
	sum := 0.0
	for i := range n {
		omega := (float64(i) + 0.5) / n * math.Pi / hop
		sum += f(1/(1+math.Pow(omega/s.cutoff, float64(s.order))), omega)
	}
	return sum / n
}

// judge finds the shares from stretches of windows hop apart.
func (t *tracker) judge(stretches [][]sighting, hop float64) (share, error) {
	var rest, variance [2]float64
	count := 0.0
	for _, s := range stretches {
		if err := t.ctx.Err(); err != nil {
			return share{}, err
		}
		smooth := t.smoothed(s)
		left := make([]sighting, len(s))
		for i := range s {
			left[i] = s[i]
			left[i].pose = rigid.Identity() // what is left is a motion about rest
			dp, dr := smooth[i].pose.Minus(s[i].pose)
			m := six(dp, dr)
			for k, a := range six(smooth[i].a, smooth[i].b) {
				m[k] += t.bend() * a
			}
			for j := range 6 {
				left[i].y[j] = s[i].misfit(j, &m)
			}
		}
		free := *t
		free.axis = nil // what no coil sees is no part of it
		again := free.smoothed(left)
		for i := len(s) / 8; i < len(s)-len(s)/8; i++ { // the ends smooth less
			cov, _ := s[i].solve(1)
			if t.axis != nil {
				cov = rigid.WithoutRotation(&cov, s[i].pose.Rotate(*t.axis))
			}
			across := t.across(s[i].pose)
			p, r := again[i].pose.Minus(rigid.Identity())
			m := six(p, rigid.MulVec(&across, r))
			for k := range 3 {
				rest[0] += m[k] * m[k]
				rest[1] += m[3+k] * m[3+k]
				variance[0] += cov[k][k]
				variance[1] += cov[3+k][3+k]
			}
			count += 3
		}
	}
	out := share{of: [2]float64{1, 1}}
	own := t.hop
	for k, strength := range []float64{t.options.PositionNoise, t.options.RotationNoise} {
		if count == 0 || variance[k] == 0 {
			continue
		}
		spectrum := t.options.Motion.spectrumOf(strength, variance[k]/count, hop)
		noise := spectrum.mean(hop, func(a, _ float64) float64 { return a * a * (1 - a) * (1 - a) })
		motion := spectrum.mean(hop, func(a, _ float64) float64 { return a * (1 - a) * (1 - a) * (1 - a) })
		real := 1.0
		if motion > 0 {
			real = max(0, (rest[k]/variance[k]-noise)/motion)
		}
		stated := spectrum.mean(own, func(a, _ float64) float64 { return a })
		is := spectrum.mean(own, func(a, omega float64) float64 {
			density := 1.0
			for l, rho := range t.options.Correlation {
				density += 2 * rho * math.Cos(omega*float64(l+1)*own)
			}
			return a*a*density/t.variance + real*a*(1-a)
		})
		out.of[k] = is / stated
	}
	return out, nil
}

// smoothed smooths windows that stand by themselves, block by block as smooth does.
func (t *tracker) smoothed(s []sighting) []motion {
	step := func(e *estimate, i int, k *kept) {
		if i == 0 {
			*e = t.vague(&s[0].reading)
		} else {
			k.flow = e.predict(s[i].time-s[i-1].time, t.noise)
			k.predicted = *e
		}
		e.absorb(&s[i].reading, t.bend(), 1)
		k.at = *e
	}
	steps := make([]kept, block)
	begins := make([]estimate, 0, len(s)/block+1) // before the first window of each block
	var e, next estimate
	for i := range s {
		if i%block == 0 {
			begins = append(begins, e)
		}
		step(&e, i, &steps[i%block])
	}
	out := make([]motion, len(s))
	var by kept
	for b := len(begins) - 1; b >= 0; b-- {
		from, to := b*block, min((b+1)*block, len(s))
		if to < len(s) {
			e = begins[b]
			for i := from; i < to; i++ {
				step(&e, i, &steps[i-from])
			}
		}
		for i := to - 1; i >= from; i-- {
			k := &steps[i-from]
			e := k.at
			if i+1 < len(s) {
				e.back(&by.flow, &by.predicted, &next, t.options.Motion.free())
			}
			next, out[i] = e, e.x
			by.flow, by.predicted = k.flow, k.predicted
		}
	}
	return out
}

// ratio is that of the variances of position and rotation of a smoothed estimate to those
// of the filter's, as far as the coils see them.
func (t *tracker) ratio(smoothed, filtered *estimate) (ratio [2]float64) {
	across := t.across(filtered.x.pose)
	for k := range ratio {
		of := &rigid.Unit3
		if k == 1 {
			of = &across
		}
		var sum [2]float64
		for i := range 3 {
			for l := range 3 {
				sum[0] += of[i][l] * smoothed.cov[3*k+i][3*k+l]
				sum[1] += of[i][l] * filtered.cov[3*k+i][3*k+l]
			}
		}
		ratio[k] = sum[0] / sum[1]
	}
	return ratio
}

// side is how far a state rests on one side only, as at an end, where the filter's own
// statement holds: 1 there, 0 inside, where the ratio of its variance to the filter's is
// inside.
func (t *tracker) side(ratio, inside [2]float64) (side [2]float64) {
	for k, r := range ratio {
		in := min(inside[k], 0.999)
		side[k] = min(1, max(0, (r-in)/(1-in)))
	}
	return side
}

// scale makes a covariance what it is by the shares.
func (s *share) scale(c *rigid.Covariance, side [2]float64) {
	for k, of := range s.of {
		by := math.Sqrt(of + (1-of)*side[k])
		for a := 3 * k; a < 3*k+3; a++ {
			for b := range 6 {
				c[a][b] *= by
				c[b][a] *= by
			}
		}
	}
}
