package clock

import (
	"math"
	"math/cmplx"
	"slices"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/stat"
)

// coarse finds the offsets from the phase advance between successive blocks,
// at the nominal frequencies.
func (t *Tracker) coarse() {
	var num, den float64
	for i, tone := range t.tones {
		var advances []complex128
		for j := 1; j < len(t.segment); j++ {
			a, b := &t.segment[j-1], &t.segment[j]
			if a.weight[i] > 0 && b.weight[i] > 0 {
				advances = append(advances, b.phasor[i]*cmplx.Conj(a.phasor[i]))
			}
		}
		sum := t.agreed(advances)
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

// agreed sums the advances of a drive that are like most of the others: where the time
// line breaks, one or two are not.
func (t *Tracker) agreed(advances []complex128) (sum complex128) {
	if t.folds != 1 || len(advances) < 3 {
		for _, a := range advances {
			sum += a
		}
		return sum
	}
	// Angles against the one that is nearest to all others, and their median.
	var off []float64
	best := math.Inf(1)
	for _, a := range advances {
		angles, away := make([]float64, len(advances)), 0.0
		for j, b := range advances {
			angles[j] = cmplx.Phase(b * cmplx.Conj(a))
			away += math.Abs(angles[j])
		}
		if away < best {
			best, off = away, angles
		}
	}
	median := func(v []float64) float64 { return slices.Sorted(slices.Values(v))[len(v)/2] }
	middle := median(off)
	for j := range off {
		off[j] = math.Abs(off[j] - middle)
	}
	limit := 10 * max(median(off), 1e-4) // seven sigmas
	for j, a := range advances {
		if off[j] <= limit {
			sum += a
		}
	}
	return sum
}

// parabola is what the phases y [rad] of one tone's blocks say, x being the phase that
// a unit of relative offset makes since the segment's middle [rad]:
//
//	y = meanY + slope·(x − meanX) + bend·q(x)
//
// with q the square of x − meanX less its own line. Weights are inverse variances.
type parabola struct {
	meanX, meanY       float64
	slope, slopeWeight float64
	bend, bendWeight   float64
	middle             float64 // q(0)
}

// own are relative weights of the points, with a mean of 1; nil: all alike. square is
// memory for as many values.
func (p *parabola) fit(x, y, own []float64, weight float64, square []float64) {
	p.meanX, p.meanY = stat.Mean(x, own), stat.Mean(y, own)
	spread := stat.Variance(x, own)
	p.slope = stat.Covariance(x, y, own) / spread
	p.slopeWeight = spread * float64(len(x)-1) * weight
	if len(x) < minBlocks {
		return
	}
	square = square[:len(x)]
	for i, v := range x {
		square[i] = (v - p.meanX) * (v - p.meanX)
	}
	level, tilt := stat.Mean(square, own), stat.Covariance(x, square, own)/spread
	q := func(v float64) float64 { return (v-p.meanX)*(v-p.meanX) - level - tilt*(v-p.meanX) }
	var power, sum, left float64
	for i, v := range x {
		w := 1.0
		if own != nil {
			w = own[i]
		}
		off := y[i] - p.meanY - p.slope*(v-p.meanX)
		power += w * q(v) * q(v)
		sum += w * q(v) * off
		left += w * off * off
	}
	p.bend, p.bendWeight, p.middle = sum/power, power*weight, q(0)
	if own != nil { // the scatter of the points, where it exceeds what they say
		more := max(1, (left-sum*sum/power)*weight/float64(len(x)-3))
		p.slopeWeight, p.bendWeight = p.slopeWeight/more, p.bendWeight/more
	}
}

// fit finds the offsets of one segment: a line through each tone's unwrapped phases,
// all with one slope per hertz when the clock is common. The parabola through them
// tells the drift, and the phase at the middle.
func (t *Tracker) fit(blocks []block) {
	var middle float64
	for _, b := range blocks {
		middle += b.time / float64(len(blocks))
	}
	n, room := len(t.tones), t.room
	s := room.segment(n)
	fits := zeroed(&room.fits, n)
	// Offsets beyond those known so far, drifts, and their inverse variances.
	own, weights := zeroed(&room.own, n), zeroed(&room.weights, n)
	drifts, driftWeights := s.drifts, zeroed(&room.driftWeights, n)
	for i, tone := range t.tones {
		x, y, w := room.x[:0], room.y[:0], room.w[:0] // [rad per unit of offset], [rad], inverse variances
		var previous float64
		for _, b := range blocks {
			if b.weight[i] == 0 {
				continue
			}
			at := t.folds * 2 * math.Pi * tone.Hz * (b.time - middle)
			previous += math.Remainder(cmplx.Phase(b.phasor[i])-t.offset[i]*at-previous, 2*math.Pi)
			x, y, w = append(x, at), append(y, previous), append(w, b.weight[i])
		}
		room.x, room.y, room.w = x, y, w
		if len(x) < 2 {
			continue
		}
		square := zeroed(&room.square, len(x))
		// One weight for all blocks of a tone, that of their mean variance: weights that
		// followed the noise estimate would pull the slope where a clock drifts.
		p := &fits[i]
		if mean := stat.Mean(w, nil); t.folds == 1 {
			p.fit(x, y, nil, harmonicMean(w, square), square)
		} else {
			// On pickups the couplings change, and where they do so within a block what
			// other tones leave there is larger than this tone may be.
			floats.Scale(1/mean, w)
			p.fit(x, y, w, mean, square)
		}
		own[i], weights[i] = p.slope, p.slopeWeight
		// A phase 2πf·½·drift·u² is bend·(2πf·u)².
		turning := t.folds * 4 * math.Pi * tone.Hz
		drifts[i], driftWeights[i] = p.bend*turning, p.bendWeight/(turning*turning)
	}
	for i, w := range weights {
		if !(w > 0) || math.IsInf(w+own[i]*w, 0) { // of samples near the ends of floating-point numbers
			own[i], weights[i] = 0, 0
		}
	}
	total := floats.Sum(weights)
	if total == 0 {
		room.segments = append(room.segments, s)
		return
	}
	s.time, s.half = middle, float64(len(blocks)*t.length)/(2*t.sampleRate)
	copy(s.offsets, t.offset)
	if t.mode == Common {
		if t.folds == 1 {
			t.track.compare(own, weights, room)
		}
		slope := stat.Mean(own, weights)
		floats.AddConst(slope, s.offsets)
		for i := range s.sigmas {
			s.sigmas[i] = 1 / math.Sqrt(total)
			fits[i].slope = slope
		}
		level(drifts, driftWeights, func(float64) bool { return true })
	} else {
		floats.Add(s.offsets, own)
		// Most likely one generator drives also the tones without a usable reference.
		unknown := func(weight float64) bool { return weight == 0 }
		level(s.offsets, weights, unknown)
		level(drifts, driftWeights, unknown)
		for i, w := range weights {
			s.sigmas[i] = 1 / math.Sqrt(w)
		}
	}
	for i, p := range fits {
		s.measured[i] = weights[i] > 0
		bend := drifts[i] / (t.folds * 4 * math.Pi * t.tones[i].Hz)
		s.cycles[i] = (p.meanY - p.slope*p.meanX + bend*p.middle) / (t.folds * 2 * math.Pi)
	}
	copy(t.offset, s.offsets)
	t.track.add(s, weights, t.mode, 1/t.folds, room)
}

// level puts the weighted mean in the place of the values whose weight says so.
func level(values, weights []float64, replace func(weight float64) bool) {
	if floats.Sum(weights) == 0 {
		return
	}
	mean := stat.Mean(values, weights)
	for i, w := range weights {
		if replace(w) {
			values[i] = mean
		}
	}
}

// strayOffset is the least difference from the other tones that is worth a
// word: a hundredth of a turn in a second at 20 kHz takes ten times as much.
const strayOffset = 0.05e-6

// compare notes the tone whose own offset differs most from the tones' median:
// then they do not share one clock. weights are inverse variances.
func (t *Track) compare(own, weights []float64, room *room) {
	known := room.known[:0]
	for i, w := range weights {
		if w > 0 {
			known = append(known, own[i])
		}
	}
	room.known = known
	slices.Sort(known)
	for i, w := range weights {
		d := own[i] - known[len(known)/2]
		// eight sigmas are no chance
		if w > 0 && math.Abs(d) > max(strayOffset, 8/math.Sqrt(w)) && math.Abs(d) > math.Abs(t.StrayOffset) {
			t.StrayTone, t.StrayOffset = i, d
		}
	}
}
