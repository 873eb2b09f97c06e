//go:build !purego

package kernel

import "tonepose/fieldmodels/variant"

func init() {
	streamKernel.Add(variant.AVX512, streamAVX512)
	laneKernel.Add(variant.AVX512, func(tones int) func(r *LaneReferral, out, row []complex128) {
		if tones%Lanes != 0 {
			return turnLanesGo
		}
		return referLanesAVX512
	})
}

// spread16avx512 writes n samples of vectors·4 channels twice each, times gain;
// samples are step bytes apart. It reads four counts for each vector.
//
//go:noescape
func spread16avx512(dst *float64, x *int16, gain *float64, n, vectors int, step uintptr)

// mix4avx512 filters one tone of four channels by four stages: states are
// multiplied by turn first; samples are spreadStep bytes apart, outputs outStep.
// Only the numbers (halves of complex ones) in mask are stored.
//
//go:noescape
func mix4avx512(out, state, carrier *complex128, spread *float64, n int, outStep, spreadStep uintptr, turn *complex128, mask uint64)

// mix4x3avx512 is mix4avx512 for twelve channels at once; mask is that of the
// last four.
//
//go:noescape
func mix4x3avx512(out, state, carrier *complex128, spread *float64, n int, outStep, spreadStep uintptr, turn *complex128, mask uint64)

// turns8avx512 gathers the references of up to eight tones from each of n rows,
// rowStep bytes apart, and writes the pairs that turn to their phases, times
// decay, and the references times ahead. These all are 128·groups bytes apart.
//
//go:noescape
func turns8avx512(turns *float64, references *complex128, row *complex128, offsets *int64, ahead, decay *float64, n int, rowStep, step uintptr)

// references8avx512 filters the references of eight tones over n samples from
// the states as they are, and writes as turns8avx512 does, but the turns' real
// and imaginary parts side by side. offsets are three by eight; carriers too are
// step bytes apart.
//
//go:noescape
func references8avx512(turns *float64, references, state, turn *complex128, offsets *int64, spread, carrier, ahead, decay *float64, n int, spreadStep, step uintptr)

// mixRefer4avx512 is mix4avx512 that multiplies what it stores by turns,
// turnsStep bytes apart with the imaginary part 64 bytes on, and stores 0 for
// numbers that are not in keep.
//
//go:noescape
func mixRefer4avx512(out, state, carrier *complex128, spread *float64, n int, outStep, spreadStep uintptr, turn *complex128, mask uint64, turns *float64, turnsStep uintptr, keep uint64)

// mixRefer4x3avx512 is mixRefer4avx512 for twelve channels at once; mask is that
// of the last four.
//
//go:noescape
func mixRefer4x3avx512(out, state, carrier *complex128, spread *float64, n int, outStep, spreadStep uintptr, turn *complex128, mask uint64, turns *float64, turnsStep uintptr, keep uint64)

func streamAVX512(s *Stream) streamLoops {
	l := portableStream
	l.counts = spreadCountsAVX512
	if s.Order == 4 {
		l.mix, l.refer = mixAVX512, referAVX512
	}
	return l
}

func spreadCountsAVX512(s *Stream, x []int16, n int) {
	// The last vector of a sample reads into the next one; the last samples,
	// behind which there is nothing, are spread in Go.
	behind := s.vectors*4 - s.channels
	safe := max(0, n-(behind+s.channels-1)/s.channels)
	if safe > 0 {
		_ = x[(safe-1)*s.channels+s.vectors*4-1]
		_ = s.spread[safe*s.vectors*8-1]
		spread16avx512(&s.spread[0], &x[0], &s.gain[0], safe, s.vectors, uintptr(s.channels)*2)
	}
	spreadFrom(s, x, safe, n)
}

func mixAVX512(s *Stream, out []complex128, tone, n int) {
	s.within(out, tone, n)
	for v := 0; v < s.vectors; {
		mix, wide, mask := mix4avx512, 1, s.mask(v+1)
		if s.vectors-v >= 3 {
			mix, wide, mask = mix4x3avx512, 3, s.mask(v+3)
		}
		mix(&out[tone*s.channels+4*v], &s.state[(tone*s.vectors+v)*16], &s.carrier[tone*Longest], &s.spread[8*v],
			n, uintptr(s.Size())*16, uintptr(s.vectors)*64, &s.turn[tone], mask)
		v += wide
	}
}

// within checks the bounds of what the loops touch.
func (s *Stream) within(out []complex128, tone, n int) {
	_ = s.carrier[tone*Longest+n-1]
	_ = out[(n-1)*s.Size()+tone*s.channels+s.channels-1]
	_ = s.spread[n*s.vectors*8-1]
}

// mask names the numbers that are there in the last of so many vectors.
func (s *Stream) mask(vectors int) uint64 { return 0xff >> max(0, 8*vectors-2*s.channels) }

func referAVX512(s *Stream, out []complex128, n int) {
	r := s.referral
	step, spreadStep := uintptr(r.groups)*128, uintptr(s.vectors)*64
	_, _ = r.turns[n*r.groups*16-1], s.decay[n-1]
	for g := range r.groups {
		references8avx512(&r.turns[g*16], &r.References[g*Lanes], &s.state[0], &s.turn[0], &r.offsets[g*3*Lanes],
			&s.spread[0], &r.carrier[g*16], &r.ahead[g*16], &s.decay[0], n, spreadStep, step)
	}
	for tone, c := range r.channel {
		s.within(out, tone, n)
		for v := 0; v < s.vectors; {
			mix, wide, mask := mixRefer4avx512, 1, s.mask(v+1)
			if s.vectors-v >= 3 {
				mix, wide, mask = mixRefer4x3avx512, 3, s.mask(v+3)
			}
			keep := ^uint64(0)
			if c >= 4*v { // a reference is real; the product leaves a rounding error
				keep &^= 2 << (2 * (c - 4*v))
			}
			mix(&out[tone*s.channels+4*v], &s.state[(tone*s.vectors+v)*16], &s.carrier[tone*Longest], &s.spread[8*v],
				n, uintptr(s.Size())*16, spreadStep, &s.turn[tone], mask, &r.turns[r.at(0, tone)], step, keep)
			v += wide
		}
	}
}

// turnLanesAVX512 multiplies eight tones of channels many channels by their
// pairs of turns and the channels' gains, and stores them tone by tone, outStep
// bytes apart.
//
//go:noescape
func turnLanesAVX512(out, row *complex128, turns, gain *float64, channels int, outStep uintptr)

func referLanesAVX512(r *LaneReferral, out, row []complex128) {
	step := uintptr(r.channels) * 16
	for g := range r.groups {
		turns8avx512(&r.turns[g*16], &r.References[g*Lanes], &row[0], &r.offsets[g*Lanes], &r.ahead[g*16], &r.one, 1, 0, 0)
		turnLanesAVX512(&out[g*Lanes*r.channels], &row[g*r.channels*Lanes], &r.turns[g*16], &r.gain[0], r.channels, step)
	}
}
