package clock

import (
	"math"
	"sort"

	"tonepose/multitone"
)

var _ multitone.Course = (*Track)(nil)

// segment is what was found about its centre.
type segment struct {
	time, half      float64   // [s], and how far it reaches to either side
	offsets, sigmas []float64 // the tones' relative offsets
	drifts          []float64 // change of these [1/s]
	measured        []bool    // tones that have a phase of their own
	cycles          []float64 // these phases against those of the nominal frequencies, but for whole or half turns
	ahead           []float64 // how far the tones' clock is ahead of the ADC's [s], but for a constant
}

// add joins a segment to those before. Between the middles a clock gains what the
// offsets say on the mean; the phases at the middles tell it better, each but for
// multiples of unit [cycles]. weights are those of the tones' phases.
func (t *Track) add(s segment, weights []float64, mode Mode, unit float64, room *room) {
	n := len(t.nominal)
	if len(t.segments) > 0 {
		last := &t.segments[len(t.segments)-1]
		better, known := zeroed(&room.better, n), zeroed(&room.known, n)
		for i, hz := range t.nominal {
			gain := (last.offsets[i] + s.offsets[i]) / 2 * (s.time - last.time)
			s.ahead[i] = last.ahead[i] + gain
			if s.measured[i] && last.measured[i] {
				better[i] = math.Remainder(s.cycles[i]-last.cycles[i]-hz*gain, unit) / hz
				known[i] = weights[i]
			}
		}
		level(better, known, func(weight float64) bool { return mode == Common || weight == 0 })
		for i, v := range better {
			s.ahead[i] += v
		}
	}
	t.segments = append(t.segments, s)
}

// Hz returns the frequency of each tone in the ADC's clock, the mean over the
// stretch from start to stop [s].
func (t *Track) Hz(start, stop float64) []float64 {
	hz := make([]float64, len(t.nominal))
	for i, f := range t.nominal {
		a, rate := t.at(i, start)
		if stop > start {
			b, _ := t.at(i, stop)
			rate = (b - a) / (stop - start)
		}
		hz[i] = f * (1 + rate)
	}
	return hz
}

// HzAt returns the frequency of one tone at a time [s].
func (t *Track) HzAt(tone int, time float64) float64 {
	_, rate := t.at(tone, time)
	return t.nominal[tone] * (1 + rate)
}

// Cycles returns how far a tone has turned from time zero to a time [s].
func (t *Track) Cycles(tone int, time float64) float64 {
	ahead, _ := t.at(tone, time)
	var origin float64
	if t.origin != nil {
		origin = t.origin[tone]
	} else {
		origin, _ = t.at(tone, 0)
	}
	return t.nominal[tone] * (time + ahead - origin)
}

// start is how far each tone's clock is ahead at time zero [s].
func (t *Track) start() []float64 {
	origin := make([]float64, len(t.nominal))
	for i := range origin {
		origin[i], _ = t.at(i, 0)
	}
	return origin
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

// at is how far a tone's clock is ahead of the ADC's [s] at a time [s], but for a
// constant, and at which rate it gains: between the middles of two segments the cubic
// with their values and rates, beyond the first and the last the parabola of that
// segment as far as it reaches, and from there on a steady rate.
func (t *Track) at(tone int, time float64) (ahead, rate float64) {
	n := len(t.segments)
	if n == 0 {
		return 0, 0
	}
	i := sort.Search(n, func(i int) bool { return t.segments[i].time >= time })
	if i == 0 || i == n {
		s := &t.segments[min(i, n-1)]
		away := time - s.time
		within := max(-s.half, min(s.half, away))
		rate = s.offsets[tone] + s.drifts[tone]*within
		return s.ahead[tone] + (s.offsets[tone]+s.drifts[tone]*within/2)*within + rate*(away-within), rate
	}
	a, b := &t.segments[i-1], &t.segments[i]
	h := b.time - a.time
	u := (time - a.time) / h
	rise := (b.ahead[tone] - a.ahead[tone]) / h
	ra, rb := a.offsets[tone], b.offsets[tone]
	c2, c3 := 3*rise-2*ra-rb, ra+rb-2*rise // of u² and u³, per h
	return a.ahead[tone] + h*u*(ra+u*(c2+u*c3)), ra + u*(2*c2+u*3*c3)
}
