package verdict

import (
	"slices"

	"tonepose/solver"
)

// sample keeps frames evenly spread over a recording of unknown length.
type sample struct {
	frames []solver.Couplings
	fits   []solver.Result
	times  []float64
	seen   int
	stride int
}

const sampleFrames = 16

// reset forgets the frames, but for their memory.
func (s *sample) reset() {
	s.frames, s.fits, s.times = s.frames[:0], s.fits[:0], s.times[:0]
	s.seen, s.stride = 0, 0
}

func (s *sample) take(c solver.Couplings, r *solver.Result, time float64) {
	if s.stride == 0 {
		s.stride = 1
	}
	if s.seen++; (s.seen-1)%s.stride != 0 {
		return
	}
	if len(s.frames) == sampleFrames {
		half := 0
		for i := 0; i < len(s.frames); i += 2 {
			// The buffers of those passed over serve later ones.
			s.frames[half], s.frames[i] = s.frames[i], s.frames[half]
			s.fits[half], s.times[half] = s.fits[i], s.times[i]
			half++
		}
		s.frames, s.fits, s.times = s.frames[:half], s.fits[:half], s.times[:half]
		s.stride *= 2
		if (s.seen-1)%s.stride != 0 {
			return
		}
	}
	n := len(s.frames)
	if n < cap(s.frames) {
		s.frames = s.frames[:n+1]
	} else {
		s.frames = append(s.frames, solver.Couplings{})
	}
	into := &s.frames[n]
	into.Value = append(into.Value[:0], c.Value...)
	into.Variance = append(into.Variance[:0], c.Variance...)
	into.Common = append(into.Common[:0], c.Common...)
	s.fits, s.times = append(s.fits, *r), append(s.times, time)
}

// some are up to n of the frames, evenly spread.
func (s *sample) some(n int) (frames []solver.Couplings, fits []solver.Result) {
	step := (len(s.frames) + n - 1) / n
	for i := 0; i < len(s.frames); i += step {
		frames, fits = append(frames, s.frames[i]), append(fits, s.fits[i])
	}
	return frames, fits
}

// common are the frames of two samples that were taken at the same times.
func common(a, b *sample) (of [2]sample) {
	for i, t := range a.times {
		if k := slices.Index(b.times, t); k >= 0 {
			of[0].frames, of[0].fits = append(of[0].frames, a.frames[i]), append(of[0].fits, a.fits[i])
			of[1].frames, of[1].fits = append(of[1].frames, b.frames[k]), append(of[1].fits, b.fits[k])
		}
	}
	return of
}
