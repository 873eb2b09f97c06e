//go:build !purego

package kernel

import "tonepose/fieldmodels/variant"

func init() {
	for _, w := range []struct {
		level *variant.Level
		loops streamVectors
	}{
		{variant.AVX2, streamVectors{spreadAVX2, referencesAVX2,
			[]stagesLoop{{1, mixAVX2, mixPartAVX2, nil}}, []stagesLoop{{1, mixReferAVX2, mixReferPartAVX2, mixTurnAVX2}}}},
		{variant.AVX512, streamVectors{spreadAVX512, referencesAVX512,
			[]stagesLoop{{3, mixThreeAVX512, mixThreeAVX512, nil}, {1, mixPartAVX512, mixPartAVX512, nil}},
			[]stagesLoop{{3, mixReferThreeAVX512, mixReferThreeAVX512, nil}, {1, mixReferPartAVX512, mixReferPartAVX512, nil}}}},
	} {
		streamKernel.Add(w.level, w.loops.loopsFor)
	}
	laneKernel.Add(variant.AVX2, lanesWith(turnsAVX2, turnLanesAVX2))
	laneKernel.Add(variant.AVX512, lanesWith(turnsAVX512, turnLanesAVX512))
}

// streamVectors are the loops of one width; see their generator for the arguments.
type streamVectors struct {
	spread     func(dst *float64, x *int16, gain *float64, n, fours int, step uintptr)
	references func(turns *float64, references, state, turn *complex128, offsets *int64, spread, carrier, ahead, decay *float64, n int, spreadStep, step uintptr)
	raw, refer []stagesLoop // the one that takes the most channels first
}

// stagesLoop takes some fours of channels: all of them whole, or the last one in part.
type stagesLoop struct {
	fours       int
	whole, part stagesMixer
	all         stagesMixer // whole, where keep is all; nil: none of its own
}

type stagesMixer func(out, state, carrier *complex128, spread *float64, n int, outStep, spreadStep uintptr, turn *complex128, mask *uint64, turns *float64, turnsStep uintptr, keep *uint64)

//go:noescape
func spreadAVX2(dst *float64, x *int16, gain *float64, n, fours int, step uintptr)

//go:noescape
func spreadAVX512(dst *float64, x *int16, gain *float64, n, fours int, step uintptr)

//go:noescape
func mixAVX2(out, state, carrier *complex128, spread *float64, n int, outStep, spreadStep uintptr, turn *complex128, mask *uint64, turns *float64, turnsStep uintptr, keep *uint64)

//go:noescape
func mixPartAVX2(out, state, carrier *complex128, spread *float64, n int, outStep, spreadStep uintptr, turn *complex128, mask *uint64, turns *float64, turnsStep uintptr, keep *uint64)

//go:noescape
func mixReferAVX2(out, state, carrier *complex128, spread *float64, n int, outStep, spreadStep uintptr, turn *complex128, mask *uint64, turns *float64, turnsStep uintptr, keep *uint64)

//go:noescape
func mixTurnAVX2(out, state, carrier *complex128, spread *float64, n int, outStep, spreadStep uintptr, turn *complex128, mask *uint64, turns *float64, turnsStep uintptr, keep *uint64)

//go:noescape
func mixReferPartAVX2(out, state, carrier *complex128, spread *float64, n int, outStep, spreadStep uintptr, turn *complex128, mask *uint64, turns *float64, turnsStep uintptr, keep *uint64)

//go:noescape
func mixThreeAVX512(out, state, carrier *complex128, spread *float64, n int, outStep, spreadStep uintptr, turn *complex128, mask *uint64, turns *float64, turnsStep uintptr, keep *uint64)

//go:noescape
func mixPartAVX512(out, state, carrier *complex128, spread *float64, n int, outStep, spreadStep uintptr, turn *complex128, mask *uint64, turns *float64, turnsStep uintptr, keep *uint64)

//go:noescape
func mixReferThreeAVX512(out, state, carrier *complex128, spread *float64, n int, outStep, spreadStep uintptr, turn *complex128, mask *uint64, turns *float64, turnsStep uintptr, keep *uint64)

//go:noescape
func mixReferPartAVX512(out, state, carrier *complex128, spread *float64, n int, outStep, spreadStep uintptr, turn *complex128, mask *uint64, turns *float64, turnsStep uintptr, keep *uint64)

//go:noescape
func referencesAVX2(turns *float64, references, state, turn *complex128, offsets *int64, spread, carrier, ahead, decay *float64, n int, spreadStep, step uintptr)

//go:noescape
func referencesAVX512(turns *float64, references, state, turn *complex128, offsets *int64, spread, carrier, ahead, decay *float64, n int, spreadStep, step uintptr)

//go:noescape
func turnsAVX2(turns *float64, references, row *complex128, offsets *int64, ahead, gain *float64)

//go:noescape
func turnsAVX512(turns *float64, references, row *complex128, offsets *int64, ahead, gain *float64)

//go:noescape
func turnLanesAVX2(out, row *complex128, turns, gain *float64, channels int, outStep uintptr)

//go:noescape
func turnLanesAVX512(out, row *complex128, turns, gain *float64, channels int, outStep uintptr)

func (w streamVectors) loopsFor(s *Stream) streamLoops {
	l := streamLoops{w.spreadCounts, mixGo, referGo}
	if s.Order == 4 {
		l.mix, l.refer = w.mixTone, w.mixReferred
	}
	return l
}

func (w streamVectors) spreadCounts(s *Stream, x []int16, n int) {
	// The last vector of a sample reads into the next one; the last samples,
	// behind which there is nothing, are spread in Go.
	behind := s.vectors*4 - s.channels
	safe := max(0, n-(behind+s.channels-1)/s.channels)
	if safe > 0 {
		_ = x[(safe-1)*s.channels+s.vectors*4-1]
		_ = s.spread[safe*s.vectors*8-1]
		w.spread(&s.spread[0], &x[0], &s.gain[0], safe, s.vectors, uintptr(s.channels)*2)
	}
	spreadFrom(s, x, safe, n)
}

func (w streamVectors) mixTone(s *Stream, out []complex128, tone, n int) {
	s.mixStages(w.raw, out, tone, n, nil, nil)
}

func (w streamVectors) mixReferred(s *Stream, out []complex128, n int) {
	r := s.referral
	_, _ = r.turns[n*r.groups*16-1], s.decay[n-1]
	for g := range r.groups {
		w.references(&r.turns[g*16], &r.References[g*Lanes], &s.state[0], &s.turn[0], &r.offsets[g*3*Lanes],
			&s.spread[0], &r.carrier[g*16], &r.ahead[g*16], &s.decay[0], n, s.spreadStep(), r.step())
	}
	for tone := range r.channel {
		s.mixStages(w.refer, out, tone, n, r, &r.turns[r.at(0, tone)])
	}
}

// mixStages takes all channels of a tone through loops.
func (s *Stream) mixStages(loops []stagesLoop, out []complex128, tone, n int, r *Referral, turns *float64) {
	_ = s.carrier[tone*Longest+n-1]
	_ = out[(n-1)*s.Size()+tone*s.channels+s.channels-1]
	_ = s.spread[n*s.vectors*8-1]
	var turnsStep uintptr
	if r != nil {
		turnsStep = r.step()
	}
	for v := 0; v < s.vectors; {
		i := 0
		for s.vectors-v < loops[i].fours {
			i++
		}
		l := &loops[i]
		mix, mask, keep := l.whole, &someLanes[0], &allButOne[mostNumbers+1]
		if r != nil {
			// A reference is real; the product leaves a rounding error.
			if c := r.channel[tone] - 4*v; c >= 0 && c < 4*l.fours {
				keep = &allButOne[mostNumbers-(2*c+1)]
			} else if l.all != nil {
				mix = l.all
			}
		}
		if behind := 4*(v+l.fours) - s.channels; behind > 0 {
			mix, mask = l.part, &someLanes[2*behind]
		}
		mix(&out[tone*s.channels+4*v], &s.state[(tone*s.vectors+v)*16], &s.carrier[tone*Longest], &s.spread[8*v],
			n, uintptr(s.Size())*16, s.spreadStep(), &s.turn[tone], mask, turns, turnsStep, keep)
		v += l.fours
	}
}

func (s *Stream) spreadStep() uintptr { return uintptr(s.vectors) * 64 }

func (r *Referral) step() uintptr { return uintptr(r.groups) * 128 }

const (
	mostNumbers = 8 * 3 // that a loop takes at a time
	inIt        = ^uint64(0)
)

// Sets of lanes: someLanes from 8−n on are the first n of eight lanes; allButOne from
// mostNumbers−i on is all lanes but lane i, from mostNumbers+1 on all.
var (
	someLanes = [16]uint64{inIt, inIt, inIt, inIt, inIt, inIt, inIt, inIt}
	allButOne = func() (a [2*mostNumbers + 1]uint64) {
		for i := range a {
			a[i] = inIt
		}
		a[mostNumbers] = 0
		return a
	}()
)

// lanesWith returns the loop of a LaneReferral.
func lanesWith(turns func(turns *float64, references, row *complex128, offsets *int64, ahead, gain *float64),
	turn func(out, row *complex128, turns, gain *float64, channels int, outStep uintptr)) func(tones int) func(r *LaneReferral, out, row []complex128) {
	refer := func(r *LaneReferral, out, row []complex128) {
		step := uintptr(r.channels) * 16
		for g := range r.groups {
			turns(&r.turns[g*16], &r.References[g*Lanes], &row[0], &r.offsets[g*Lanes], &r.ahead[g*16], &r.one)
			turn(&out[g*Lanes*r.channels], &row[g*r.channels*Lanes], &r.turns[g*16], &r.gain[0], r.channels, step)
		}
	}
	return func(tones int) func(r *LaneReferral, out, row []complex128) {
		if tones%Lanes != 0 {
			return turnLanesGo
		}
		return refer
	}
}
