package clock

import (
	"math"
	"math/cmplx"
	"slices"
	"sort"
)

// coarse finds the offsets from the phase advance between successive blocks,
// at the nominal frequencies.
func (t *Tracker) coarse() {
	var num, den float64
	for i, tone := range t.tones {
		var sum complex128
		for j := 1; j < len(t.segment); j++ {
			a, b := &t.segment[j-1], &t.segment[j]
			if a.weight[i] > 0 && b.weight[i] > 0 {
				sum += b.phasor[i] * cmplx.Conj(a.phasor[i])
			}
		}
		if sum == 0 {
			continue
		}
		step := 2 * math.Pi * tone.Hz * float64(t.length) / t.sampleRate
		advance := cmplx.Phase(sum)
		t.offset[i] = advance / step
		num += cmplx.Abs(sum) * advance * step
		den += cmplx.Abs(sum) * step * step
	}
	if t.mode == Common && den > 0 {
		for i := range t.offset {
			t.offset[i] = num / den
		}
	}
}

// line accumulates the weighted fit of phase = φ0 + offset·x.
type line struct{ w, wx, wy, wxx, wxy, wyy float64 }

func (l *line) add(w, x, y float64) {
	l.w += w
	l.wx += w * x
	l.wy += w * y
	l.wxx += w * x * x
	l.wxy += w * x * y
	l.wyy += w * y * y
}

// central returns Σw(x−x̄)² and Σw(x−x̄)(y−ȳ).
func (l *line) central() (sxx, sxy float64) {
	if l.w == 0 {
		return 0, 0
	}
	return l.wxx - l.wx*l.wx/l.w, l.wxy - l.wx*l.wy/l.w
}

// fit finds the offsets of one segment: a weighted line through each tone's
// unwrapped phases, all with one slope per hertz when the clock is common.
func (t *Tracker) fit(blocks []block) {
	var middle float64
	for _, b := range blocks {
		middle += b.time / float64(len(blocks))
	}
	offsets := make([]float64, len(t.tones))
	sigmas := make([]float64, len(t.tones))
	own, weights := make([]float64, len(t.tones)), make([]float64, len(t.tones))
	var num, den float64
	found := false
	for i, tone := range t.tones {
		offsets[i], sigmas[i] = t.offset[i], math.Inf(1)
		// One weight for all blocks of a tone: weights that followed the noise
		// estimate would pull the slope where a clock drifts.
		var l line
		var previous float64
		used, weight := 0, typical(blocks, i)
		for _, b := range blocks {
			if b.weight[i] == 0 {
				continue
			}
			x := 2 * math.Pi * tone.Hz * (b.time - middle)
			y := cmplx.Phase(b.phasor[i]) - t.offset[i]*x
			if used > 0 {
				y -= 2 * math.Pi * math.Round((y-previous)/(2*math.Pi))
			} else {
				y = math.Remainder(y, 2*math.Pi)
			}
			previous = y
			l.add(weight, x, y)
			used++
		}
		if used < 2 {
			continue
		}
		sxx, sxy := l.central()
		if !(sxx > 0) {
			continue
		}
		found = true
		num += sxy
		den += sxx
		own[i], weights[i] = sxy/sxx, sxx
		if t.mode == Each {
			offsets[i] += sxy / sxx
			sigmas[i] = 1 / math.Sqrt(sxx)
		}
	}
	if !found {
		return
	}
	if t.mode == Common {
		t.track.compare(own, weights)
		for i := range offsets {
			offsets[i] += num / den
			sigmas[i] = 1 / math.Sqrt(den)
		}
	} else {
		t.fillUnreferenced(offsets, sigmas)
	}
	copy(t.offset, offsets)
	t.track.times = append(t.track.times, middle)
	t.track.offsets = append(t.track.offsets, offsets)
	t.track.sigmas = append(t.track.sigmas, sigmas)
}

// strayOffset is the least difference from the other tones that is worth a
// word: a hundredth of a turn in a second at 20 kHz takes ten times as much.
const strayOffset = 0.05e-6

// compare notes the tone whose own offset differs most from the tones' median:
// then they do not share one clock. weights are inverse variances.
func (t *Track) compare(own, weights []float64) {
	var known []float64
	for i, w := range weights {
		if w > 0 {
			known = append(known, own[i])
		}
	}
	slices.Sort(known)
	for i, w := range weights {
		d := own[i] - known[len(known)/2]
		// eight sigmas are no chance
		if w > 0 && math.Abs(d) > max(strayOffset, 8/math.Sqrt(w)) && math.Abs(d) > math.Abs(t.StrayOffset) {
			t.StrayTone, t.StrayOffset = i, d
		}
	}
}

// typical is the harmonic mean of a tone's weights, the weight of its mean
// variance.
func typical(blocks []block, tone int) float64 {
	var sum float64
	used := 0
	for _, b := range blocks {
		if w := b.weight[tone]; w > 0 {
			sum += 1 / w
			used++
		}
	}
	if used == 0 {
		return 0
	}
	return float64(used) / sum
}

// fillUnreferenced gives tones without a usable reference the weighted mean
// offset of the others: most likely the same generator drives them.
func (t *Tracker) fillUnreferenced(offsets, sigmas []float64) {
	var num, den float64
	for i := range offsets {
		if w := 1 / (sigmas[i] * sigmas[i]); w > 0 {
			num += w * offsets[i]
			den += w
		}
	}
	for i := range offsets {
		if math.IsInf(sigmas[i], 1) && den > 0 {
			offsets[i] = num / den
		}
	}
}

// Hz returns the frequency of each tone in the ADC's clock, the mean over the
// stretch from start to stop [s].
func (t *Track) Hz(start, stop float64) []float64 {
	a, m, b := t.between(start), t.between((start+stop)/2), t.between(stop)
	hz := make([]float64, len(t.nominal))
	for i, f := range t.nominal {
		// Simpson's rule over the piecewise linear offset
		mean := (t.offset(i, a) + 4*t.offset(i, m) + t.offset(i, b)) / 6
		hz[i] = f * (1 + mean)
	}
	return hz
}

// Sigma returns the standard deviation of a tone's relative offset in the
// segment nearest to a time [s]; infinite where nothing was measured.
func (t *Track) Sigma(tone int, time float64) float64 {
	if len(t.times) == 0 {
		return math.Inf(1)
	}
	at := t.between(time)
	if at.share <= 0.5 {
		return t.sigmas[at.before][tone]
	}
	return t.sigmas[at.before+1][tone]
}

// place is a time between the centres of two segments: the share of the way from
// the one before to the next. The ends hold beyond the first and the last.
type place struct {
	before int
	share  float64
}

// between finds the place of a time [s].
func (t *Track) between(time float64) place {
	n := len(t.times)
	i := sort.SearchFloat64s(t.times, time) // the first that is not before it
	switch {
	case i == 0:
		return place{}
	case i == n:
		return place{before: n - 1}
	}
	return place{i - 1, (time - t.times[i-1]) / (t.times[i] - t.times[i-1])}
}

// offset is a tone's relative offset at a place.
func (t *Track) offset(tone int, at place) float64 {
	if len(t.times) == 0 {
		return 0
	}
	if at.share == 0 {
		return t.offsets[at.before][tone]
	}
	return t.offsets[at.before][tone]*(1-at.share) + t.offsets[at.before+1][tone]*at.share
}
