package clock

import (
	"math"
	"math/cmplx"
	"slices"
	"sort"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/stat"
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
		step := t.folds * 2 * math.Pi * tone.Hz * float64(t.length) / t.sampleRate
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

// fit finds the offsets of one segment: a line through each tone's unwrapped phases,
// all with one slope per hertz when the clock is common.
func (t *Tracker) fit(blocks []block) {
	var middle float64
	for _, b := range blocks {
		middle += b.time / float64(len(blocks))
	}
	// Offsets beyond those known so far, and their inverse variances.
	own, weights := make([]float64, len(t.tones)), make([]float64, len(t.tones))
	for i, tone := range t.tones {
		var x, y, w []float64 // [rad per unit of offset], [rad], inverse variances
		var previous float64
		for _, b := range blocks {
			if b.weight[i] == 0 {
				continue
			}
			at := t.folds * 2 * math.Pi * tone.Hz * (b.time - middle)
			previous += math.Remainder(cmplx.Phase(b.phasor[i])-t.offset[i]*at-previous, 2*math.Pi)
			x, y, w = append(x, at), append(y, previous), append(w, b.weight[i])
		}
		if len(x) < 2 {
			continue
		}
		// One weight for all blocks of a tone, that of their mean variance: weights that
		// followed the noise estimate would pull the slope where a clock drifts.
		spread := stat.Variance(x, nil)
		own[i] = stat.Covariance(x, y, nil) / spread
		weights[i] = spread * float64(len(x)-1) * stat.HarmonicMean(w, nil)
	}
	total := floats.Sum(weights)
	if total == 0 {
		return
	}
	s := segment{time: middle, offsets: slices.Clone(t.offset), sigmas: make([]float64, len(t.tones))}
	if t.mode == Common {
		if t.folds == 1 {
			t.track.compare(own, weights)
		}
		floats.AddConst(stat.Mean(own, weights), s.offsets)
		for i := range s.sigmas {
			s.sigmas[i] = 1 / math.Sqrt(total)
		}
	} else {
		floats.Add(s.offsets, own)
		// Most likely one generator drives also the tones without a usable reference.
		mean := stat.Mean(s.offsets, weights)
		for i, w := range weights {
			s.sigmas[i] = 1 / math.Sqrt(w)
			if w == 0 {
				s.offsets[i] = mean
			}
		}
	}
	copy(t.offset, s.offsets)
	t.track.segments = append(t.track.segments, s)
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

// Hz returns the frequency of each tone in the ADC's clock, the mean over the
// stretch from start to stop [s].
func (t *Track) Hz(start, stop float64) []float64 {
	a, m, b := t.offsets(start), t.offsets((start+stop)/2), t.offsets(stop)
	hz := make([]float64, len(t.nominal))
	for i, f := range t.nominal {
		// Simpson's rule over the piecewise linear offset
		hz[i] = f * (1 + (a[i]+4*m[i]+b[i])/6)
	}
	return hz
}

// Sigma returns the standard deviation of a tone's relative offset in the
// segment nearest to a time [s]; infinite where nothing was measured.
func (t *Track) Sigma(tone int, time float64) float64 {
	sigma, nearest := math.Inf(1), math.Inf(1)
	for _, s := range t.segments {
		if away := math.Abs(s.time - time); away < nearest {
			sigma, nearest = s.sigmas[tone], away
		}
	}
	return sigma
}

// offsets are the tones' relative offsets at a time [s], between those of the
// segments before and after it. The first and the last segment's hold beyond.
func (t *Track) offsets(time float64) []float64 {
	n := len(t.segments)
	if n == 0 {
		return make([]float64, len(t.nominal))
	}
	i := sort.Search(n, func(i int) bool { return t.segments[i].time >= time })
	if i == 0 || i == n {
		return t.segments[min(i, n-1)].offsets
	}
	a, b := t.segments[i-1], t.segments[i]
	share := (time - a.time) / (b.time - a.time)
	between := slices.Clone(a.offsets)
	floats.Scale(1-share, between)
	floats.AddScaled(between, share, b.offsets)
	return between
}
