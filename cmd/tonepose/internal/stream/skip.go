package stream

import (
	"math"

	"tonepose/multitone"
)

// skip passes over samples that were not measured, up to a number.
func (o *Observer) skip(to int64) error {
	o.seen = to
	if o.finder.search != nil {
		o.takeIn()
	}
	o.anew(to)
	return o.tracker.Skip(to)
}

// place says where in the stream a frame lies, and what was skipped before it.
func (v *meter) place(j *Measured) {
	f := j.Frame
	j.Skipped, v.skipped = v.skipped, 0
	if _, ok := v.frames.(*multitone.Bank); ok {
		hop := int64(math.Round(v.m.Windows.Hop * v.info.SampleRate))
		j.Skipped += int((f.Start - v.following) / hop)
		v.following = f.Start + hop
	} else {
		v.following = f.Stop
	}
	j.Time += float64(v.base) / v.info.SampleRate
	f.Start, f.Stop = f.Start+v.base, f.Stop+v.base
}

// skip passes over samples that were not measured, up to a number. A low-pass and
// intervals take them in as samples without weight.
func (v *meter) skip(from, to int64, s *Survey) error {
	if bank, ok := v.frames.(*multitone.Bank); ok {
		bank.Skip(to)
		return nil
	}
	for c := range v.info.Channels {
		s.Monitor.NonFinite(c, from, to)
	}
	for size := int64(v.screen.stretch); from < to; from += size {
		b := Block{First: from}
		if n := int(min(size, to-from)); v.counts {
			b.Counts = make([]int16, n*v.info.Channels)
		} else {
			b.Volts = planes(v.info.Channels, n)
		}
		if err := v.write(&b, s); err != nil {
			return err
		}
	}
	return nil
}
