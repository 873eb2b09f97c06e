package multitone

import (
	"math"

	"tonepose/multitone/internal/kernel"
)

// hand makes frames of raw rows.
func (s *Continuous) hand(rows rawRows, emit func(*Frame) error) error {
	f, every := &s.frame, int64(s.averaging.Every)
	lags := s.engine.lags()
	referred := s.referral != nil
	if referred && s.rowsSeen > s.rests {
		return s.handReferred(rows, emit)
	}
	lag := rows.firstLag - rows.lagStep
	for at := 0; at < len(rows.values); at += rows.stride {
		lag += rows.lagStep
		s.rowsSeen++
		count := s.rowsSeen * every // samples that the row has seen
		scale := 1.0
		if count <= s.settling {
			scale = s.stepResponse()
		}
		if count < s.warmup {
			continue
		}
		f.Stop = count
		f.Start = max(0, count-s.rests)
		f.Shift = float64(count-1) - s.delay - float64(f.Start+f.Stop-1)/2
		if s.lanes != nil && count > s.settling {
			f.Phasor, f.Reference = s.phasor, s.lanes.References[:len(s.cfg.Tones)]
			s.lanes.Refer(f.Phasor, rows.values[at:at+rows.size])
		} else if referred {
			f.Phasor, f.Reference = rows.values[at:at+rows.size], s.referral.Row(at/rows.size)
		} else {
			f.Phasor, f.Reference = s.phasor, s.reference
			if rows.decay != nil {
				scale *= rows.decay[lag]
			}
			s.refer(rows, rows.values[at:at+rows.size], scale, s.ahead[lag], float64(count-1)-lags[lag])
		}
		s.weigh()
		if err := emit(f); err != nil {
			return err
		}
	}
	return nil
}

// handReferred hands out rows that are ready, one a sample.
func (s *Continuous) handReferred(rows rawRows, emit func(*Frame) error) error {
	f := &s.frame
	f.Shift = float64(s.rests-1)/2 - s.delay
	s.weigh()
	for u := 0; u*rows.size < len(rows.values); u++ {
		s.rowsSeen++
		f.Start, f.Stop = s.rowsSeen-s.rests, s.rowsSeen
		f.Phasor, f.Reference = rows.values[u*rows.size:(u+1)*rows.size], s.referral.Row(u)
		if err := emit(f); err != nil {
			return err
		}
	}
	return nil
}

// settle has the engine refer what follows, once every tone has a reference
// and nothing is left to make up for. Blocks' rows are referred as they come.
func (s *Continuous) settle() {
	switch e := s.engine.(type) {
	case *blocks:
		if s.lanes != nil {
			return
		}
		if channels := s.references(); channels != nil {
			s.lanes = kernel.NewLaneReferral(channels, s.ahead[0], e.rows.volts)
		}
	case *stream:
		if s.referral != nil || s.averaging.Every != 1 || s.rowsSeen < s.settling {
			return
		}
		if channels := s.references(); channels != nil {
			s.referral = e.kernel.NewReferral(channels, s.ahead)
			e.kernel.ReferTo(s.referral)
		}
	}
}

// references lists the tones' reference channels; nil if any has none.
func (s *Continuous) references() (channels []int) {
	for _, t := range s.cfg.Tones {
		if t.Reference == NoReference {
			return nil
		}
		channels = append(channels, t.Reference)
	}
	return channels
}

// stepResponse is what makes up for the share of the filter's response that
// lies before the first sample.
func (s *Continuous) stepResponse() float64 {
	var out [1]complex128
	for range s.averaging.Every {
		s.ones.Process(out[:], []complex128{1})
	}
	return 1 / real(out[0])
}

// weigh fills the frame's variances when the meter knows better.
func (s *Continuous) weigh() {
	if s.weighed == s.meter.windows {
		return
	}
	s.weighed = s.meter.windows
	for i := range s.frame.Variance {
		s.frame.Variance[i] = math.Inf(1)
	}
	if s.meter.windows > 0 {
		for i, v := range s.meter.variances() {
			s.frame.Variance[i] = v * s.gain
		}
	}
}

// refer fills the frame's phasors from a raw row, relative to the tones' phases
// at the sample origin; ahead leads from there to the frame's time.
func (s *Continuous) refer(rows rawRows, raw []complex128, scale float64, ahead []complex128, origin float64) {
	f, channels := &s.frame, s.cfg.Channels
	for k := range s.cfg.Tones {
		t := &s.cfg.Tones[k]
		from := raw[rows.place[k]:]
		var turn complex128
		if t.Reference == NoReference {
			f.Reference[k] = 0
			turn = unit(-cycles(t.Hz / s.cfg.SampleRate * origin))
		} else {
			ref := from[t.Reference*rows.step]
			f.Reference[k] = ref * ahead[k] * complex(rows.volts[t.Reference]*scale, 0)
			turn = 1
			if power := real(ref)*real(ref) + imag(ref)*imag(ref); power > 0 {
				size := math.Sqrt(power)
				turn = complex(real(ref)/size, -imag(ref)/size)
			}
		}
		re, im := real(turn)*scale, imag(turn)*scale
		out := f.Phasor[k*channels : (k+1)*channels]
		at := 0
		for c, volts := range rows.volts[:len(out)] {
			v := from[at]
			at += rows.step
			out[c] = complex((real(v)*re-imag(v)*im)*volts, (real(v)*im+imag(v)*re)*volts)
		}
		if t.Reference != NoReference { // exact by definition; the product leaves a rounding error
			out[t.Reference] = complex(real(out[t.Reference]), 0)
		}
	}
}
