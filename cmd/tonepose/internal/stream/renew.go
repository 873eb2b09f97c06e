package stream

import (
	"math"
	"slices"

	"tonepose/multitone"
)

// renewSeconds is how much of a stream passes from where other lines beside the tones are
// known to the first window that is measured beside them [s]: several times what it takes
// to prepare for them.
const renewSeconds = 0.2

// renewal is what a meter needs to measure beside other lines.
type renewal struct {
	cfg    multitone.Config
	mender *multitone.Mender
	bank   *multitone.Renewal // nil: of intervals
	err    error
}

// prepare has an assistant prepare for the lines beside the tones, where they are others, from a
// sample on. Behind a low-pass those found first stay: each has a filter that would have to
// settle first.
func (v *meter) prepare(s *Survey, a *assistant, at int64) error {
	if v.renewing != nil { // the samples were skipped from which it counts
		if err := v.renew(); err != nil {
			return err
		}
	}
	lines := s.lines(v.m.Joint)
	bank, ok := v.frames.(*multitone.Bank)
	if v.frames != nil && (!ok || v.alike(lines, s.Foreign)) {
		return nil
	}
	next, stretch := &renewal{cfg: v.cfg}, v.screen.stretch
	next.cfg.Tones, next.cfg.Lines, next.cfg.Foreign = slices.Clone(v.cfg.Tones), lines, s.Foreign
	if ok {
		next.bank = bank.Renewal(lines, s.Foreign)
	}
	v.renewing = beside(a, at+int64(renewSeconds*v.info.SampleRate), func() *renewal {
		if next.mender, next.err = multitone.NewMender(next.cfg, stretch); next.err == nil && next.bank != nil {
			next.err = next.bank.Prepare()
		}
		return next
	})
	return nil
}

// renew measures what follows beside the lines that were prepared for.
func (v *meter) renew() error {
	next := v.renewing.wait()
	if v.renewing = nil; next.err != nil {
		return next.err
	}
	v.renewed = true
	v.cfg.Lines, v.cfg.Foreign, v.screen.mender = next.cfg.Lines, next.cfg.Foreign, next.mender
	if next.bank == nil {
		return nil
	}
	return v.frames.(*multitone.Bank).Renew(next.bank)
}

// close hands out what is left of a session, and tells what the lines at its end did to it.
func (v *meter) close() error {
	if _, ok := v.frames.(*multitone.Bank); ok && v.renewed {
		v.averaging.disturb(&v.cfg, v.survey, &v.m.Windows, v.m.Windows.Length)
	}
	return v.flush()
}

// alikeTurns is by how much of a turn over a window a line may be off for its estimate to
// stand: it leaves a hundredth of it at the window's ends.
const alikeTurns = 0.003

// alike tells whether lines are those in use.
func (v *meter) alike(lines []float64, foreign []multitone.Line) bool {
	near := func(a, b float64) bool { return math.Abs(a-b)*v.length < alikeTurns }
	return slices.EqualFunc(lines, v.cfg.Lines, near) && slices.EqualFunc(foreign, v.cfg.Foreign, func(a, b multitone.Line) bool {
		if !near(a.Hz, b.Hz) {
			return false
		}
		for c := range a.Power { // half as much again, where it matters
			low, high := min(a.Power[c], b.Power[c]), max(a.Power[c], b.Power[c])
			if high > 1.5*low && high > a.Noise[c]/(v.length*v.info.SampleRate) {
				return false
			}
		}
		return true
	})
}
