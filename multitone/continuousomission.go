package multitone

import (
	"math"

	lowpass "tonepose/multitone/window"
)

// share follows how much of a low-pass's weight lies on samples of a channel that are
// left out.
type share struct {
	filter *lowpass.Filter
	in     []complex128
	rows   []complex128 // of the samples fed last
	idle   int64        // samples since the last that was left out
}

// Omit tells that samples [start, stop) of a channel are not to be believed, before
// they are written. A low-pass cannot leave samples out: what is written in their
// place should be what the tones would have been, as a Mender puts it there. Of
// Frame.Variance it takes the share s of the low-pass's weight that lies on them
// off the information: it grows by 1/(1−s)², and is infinite where nothing is left.
func (s *Continuous) Omit(channel int, start, stop int64) {
	s.omitted.add(s.cfg.Channels, channel, start, stop)
}

// follow takes in what is left out of the next n samples.
func (s *Continuous) follow(n int64) {
	start := s.fed
	s.fed += n
	if s.shares == nil && !s.omitted.meet(start) {
		return
	}
	if s.shares == nil {
		s.shares = make([]*share, s.cfg.Channels)
	}
	var list []Span
	followed := false
	for c := range s.omitted.lists {
		list = s.omitted.within(list, c, start, s.fed)
		v := s.shares[c]
		if v == nil && len(list) == 0 {
			continue
		}
		if v != nil && len(list) == 0 && v.idle > s.settling {
			s.shares[c] = nil
			continue
		}
		followed = true
		if v == nil {
			v = &share{filter: s.lowPass.NewFilter(s.averaging.Every), in: make([]complex128, max(continuousSamples, s.averaging.Every))}
			s.shares[c] = v
			v.take(int(start - s.rowsSeen*int64(s.averaging.Every))) // since the last row
		}
		clear(v.in)
		for _, x := range list {
			for i := x.Start; i < x.Stop; i++ {
				v.in[i-start] = 1
			}
		}
		if v.idle += n; len(list) > 0 {
			v.idle = 0
		}
		v.take(int(n))
	}
	if !followed {
		s.shares, s.weighed = nil, -1
	}
}

func (v *share) take(n int) {
	if cap(v.rows) < n {
		v.rows = make([]complex128, n)
	}
	v.rows = v.rows[:v.filter.Process(v.rows[:n], v.in[:n])]
}

// leastKept of a low-pass's weight is worth a phasor.
const leastKept = 1e-2

// widen states the variances of row r of those handed out together.
func (s *Continuous) widen(r int) {
	s.weighed = -1
	s.weigh()
	for c, v := range s.shares {
		if v == nil {
			continue
		}
		left := 1 - math.Abs(real(v.rows[r]))
		for k := range s.cfg.Tones {
			if at := k*s.cfg.Channels + c; left < leastKept {
				s.frame.Variance[at] = math.Inf(1)
			} else {
				s.frame.Variance[at] /= left * left
			}
		}
	}
}
