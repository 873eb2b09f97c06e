package stream

import (
	"cmp"
	"fmt"
	"slices"

	"tonepose/multitone"
	"tonepose/multitone/recording"
)

// span is one interval in samples, wanted by one or more rows.
type span struct {
	start, stop int64
	cut         bool // to the longer side of a break of the time line
	sensors     []string
	interval    *multitone.Interval // open
	frame       *multitone.Frame    // measured
}

// spans measures intervals, which may overlap and touch.
type spans struct {
	all   []span // by start
	taken multitone.Intervals
	begun int   // how many have begun
	open  []int // those of them that are not complete
	next  int   // the first that was not handed out
}

// newSpans joins intervals of equal times and sorts them by start. Without any
// the whole recording is one.
func newSpans(rows []Interval, info recording.Info, survey *Survey) (*spans, error) {
	if len(rows) == 0 {
		return &spans{all: []span{{start: 0, stop: info.Samples}}}, nil
	}
	s := &spans{}
	at := map[[2]int64]int{}
	for _, row := range rows {
		start, stop := survey.Sample(row.Start), survey.Sample(row.Stop)
		if start < 0 || info.Samples >= 0 && stop > info.Samples {
			return nil, fmt.Errorf("%s: %g s to %g s: %s has samples from 0 s to %g s", row.Origin, row.Start, row.Stop, info.Name, info.Duration())
		}
		start, stop, cut := survey.unbroken(start, stop)
		key := [2]int64{start, stop}
		i, ok := at[key]
		if !ok {
			i = len(s.all)
			at[key] = i
			s.all = append(s.all, span{start: start, stop: stop, cut: cut})
		}
		if row.Sensor != "" && !slices.Contains(s.all[i].sensors, row.Sensor) {
			s.all[i].sensors = append(s.all[i].sensors, row.Sensor)
		}
	}
	slices.SortStableFunc(s.all, func(a, b span) int { return cmp.Compare(a.start, b.start) })
	return s, nil
}

// unbroken is the longer part of an interval beside the breaks of the time line in it:
// what lies on both sides of one does not add up.
func (s *Survey) unbroken(start, stop int64) (from, to int64, cut bool) {
	from, to = start, stop
	for _, v := range s.Track.Slips {
		if v.Stop <= from || v.Start >= to {
			continue
		}
		if cut = true; v.Start-from > to-v.Stop {
			to = v.Start
		} else {
			from = v.Stop
		}
	}
	if to <= from {
		return start, stop, false
	}
	return from, to, cut
}

// write takes the next block of volts and hands out the frames that are complete.
func (s *spans) write(b *Block, survey *Survey, cfg multitone.Config, use func(*multitone.Frame, *span) error) error {
	end := b.First + int64(len(b.Volts[0]))
	cfg.Course = survey.Track
	for s.begun < len(s.all) && s.all[s.begun].start < end {
		v := &s.all[s.begun]
		tune(&cfg, survey, float64(v.start)/cfg.SampleRate, float64(v.stop)/cfg.SampleRate)
		var err error
		if v.interval, err = s.taken.Begin(cfg, v.start, v.stop); err != nil {
			return err
		}
		s.open = append(s.open, s.begun)
		s.begun++
	}
	s.taken.Follow(survey.Track)
	b.tell(&s.taken)
	if err := s.taken.Write(b.Volts, b.First); err != nil {
		return err
	}
	still := s.open[:0]
	for _, i := range s.open {
		v := &s.all[i]
		if !v.interval.Complete() {
			still = append(still, i)
			continue
		}
		var err error
		if v.frame, err = v.interval.Frame(); err != nil {
			return err
		}
		v.interval = nil
	}
	s.open = still
	for s.next < len(s.all) && s.all[s.next].frame != nil {
		v := &s.all[s.next]
		if err := use(v.frame, v); err != nil {
			return err
		}
		v.frame = nil
		s.next++
	}
	return nil
}
