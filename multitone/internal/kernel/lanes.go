package kernel

import "tonepose/fieldmodels/variant"

// LaneReferral turns rows that lie as those of a Cascade to the phase of each
// tone's reference, and writes them tone by tone, channel by channel.
type LaneReferral struct {
	channels, tones, groups int
	channel                 []int     // of each tone's reference
	offsets                 []int64   // groups × 8: bytes from the row's begin to the references
	ahead                   []float64 // groups × (8 real parts, 8 imaginary parts), in volts
	turns                   []float64 // groups × 8 pairs
	gain                    []float64 // [V] of a unit of each channel
	one                     float64
	// References holds the raw phasor of each tone's reference times ahead.
	References []complex128
	loop       func(r *LaneReferral, out, row []complex128)
}

var (
	laneLoop   = func(tones int) func(r *LaneReferral, out, row []complex128) { return turnLanesGo }
	laneKernel = variant.New("multitone.LaneReferral", &laneLoop)
)

// NewLaneReferral prepares for tones with a reference channel each; ahead is
// what the references are multiplied by, volts the size of a unit.
func NewLaneReferral(channel []int, ahead []complex128, volts []float64) *LaneReferral {
	tones := len(channel)
	r := &LaneReferral{channels: len(volts), tones: tones, groups: (tones + Lanes - 1) / Lanes, channel: channel, gain: volts, one: 1}
	r.offsets, r.ahead, r.turns = make([]int64, r.groups*Lanes), make([]float64, r.groups*2*Lanes), make([]float64, r.groups*2*Lanes)
	r.References = make([]complex128, r.groups*Lanes)
	for k := range r.offsets {
		if k >= tones {
			r.offsets[k] = r.offsets[0] // any that is there
			continue
		}
		r.offsets[k] = 16 * int64((k/Lanes*r.channels+channel[k])*Lanes+k%Lanes)
		at := k/Lanes*2*Lanes + k%Lanes
		r.ahead[at], r.ahead[at+Lanes] = real(ahead[k])*volts[channel[k]], imag(ahead[k])*volts[channel[k]]
	}
	r.loop = laneLoop(tones)
	return r
}

// Refer fills out, tones × channels, from a row.
func (r *LaneReferral) Refer(out, row []complex128) {
	_ = out[:r.tones*r.channels]
	_ = row[:r.groups*r.channels*Lanes]
	r.loop(r, out, row)
	for k, c := range r.channel { // exact by definition; the product leaves a rounding error
		at := k*r.channels + c
		out[at] = complex(real(out[at]), 0)
	}
}

func turnLanesGo(r *LaneReferral, out, row []complex128) {
	for k, c := range r.channel {
		from := row[k/Lanes*r.channels*Lanes+k%Lanes:]
		ref := from[c*Lanes]
		at := k/Lanes*2*Lanes + k%Lanes
		r.References[k] = ref * complex(r.ahead[at], r.ahead[at+Lanes])
		turn := turnBack(ref, 1)
		to := out[k*r.channels:][:r.channels]
		for c, volts := range r.gain[:len(to)] {
			v := from[c*Lanes] * turn
			to[c] = complex(real(v)*volts, imag(v)*volts)
		}
	}
}
