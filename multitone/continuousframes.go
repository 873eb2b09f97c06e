package multitone

import (
	"math"

	"tonepose/multitone/internal/kernel"
)

// hand makes frames of raw rows.
func (s *Continuous) hand(rows rawRows, emit func(*Frame) error) error {
	f, every := &s.frame, int64(s.averaging.Every)
	s.weigh()
	for r := 0; r*rows.stride < len(rows.values); r++ {
		row := rows.values[r*rows.stride : r*rows.stride+rows.size]
		s.rowsSeen++
		count := s.rowsSeen * every // samples that the row has seen
		scale := 1.0
		if count <= s.settling {
			scale = s.stepResponse()
		}
		if count < s.warmup {
			continue
		}
		f.Start, f.Stop = count-s.rests, count
		if s.shares != nil {
			s.widen(r)
		}
		switch {
		case s.referral != nil:
			f.Phasor, f.Reference = row, s.referral.Row(r)
		case s.lanes != nil && count > s.settling:
			f.Phasor, f.Reference = s.phasor, s.lanes.References[:len(s.cfg.Tones)]
			s.lanes.Refer(f.Phasor, row)
		default:
			f.Phasor, f.Reference = s.phasor, s.reference
			s.refer(rows, row, rows.firstLag+r*rows.lagStep, scale)
		}
		if err := emit(f); err != nil {
			return err
		}
	}
	return nil
}

// startReferring has the engine refer what follows, once every tone has a reference
// and nothing is left to make up for. Blocks' rows are referred as they come.
func (s *Continuous) startReferring() {
	switch e := s.engine.(type) {
	case *blocks:
		if s.lanes != nil {
			return
		}
		if channels := s.references(); channels != nil {
			s.lanes = kernel.NewLaneReferral(channels, s.ahead[0], e.volts)
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
		channel, ok := t.Reference.Channel()
		if !ok {
			return nil
		}
		channels = append(channels, channel)
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
	for i := range s.left {
		s.frame.Variance[i] = math.Inf(1)
	}
	if s.meter.windows > 0 {
		for i, v := range s.meter.variances() {
			s.frame.Variance[i] = v*s.gain + s.left[i]
		}
	}
}

// refer fills the frame's phasors from a raw row of a lag, given by its number.
func (s *Continuous) refer(rows rawRows, raw []complex128, lag int, scale float64) {
	f := &s.frame
	if rows.decay != nil {
		scale *= rows.decay[lag]
	}
	for k, at := range rows.offset {
		for c, volts := range rows.volts {
			v, size := raw[at+c*rows.step], volts*scale
			f.Phasor[k*f.Channels+c] = complex(real(v)*size, imag(v)*size)
		}
	}
	f.refer(&s.cfg, (float64(f.Stop-1)-rows.lag[lag])/s.cfg.SampleRate)
	for k, ahead := range s.ahead[lag] {
		f.Reference[k] *= ahead
	}
}
