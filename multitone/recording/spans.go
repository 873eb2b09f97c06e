package recording

import (
	"slices"
	"sort"
)

// span is samples [start, stop).
type span struct{ start, stop int64 }

// maxSpans bounds the memory for one kind of fault on one channel.
const maxSpans = 1 << 13

// spans are stretches in rising order, apart from each other by at least slack. When there are too many, slack doubles
// and neighbours merge: more samples are flagged then, never fewer.
type spans struct {
	list  []span
	slack int64

	// Those that were forgotten.
	count   int
	samples int64
	first   int64 // start of the first of them
}

// forget drops the stretches that end before a sample, and counts them.
func (s *spans) forget(before int64) {
	n := 0
	for n < len(s.list) && s.list[n].stop < before {
		if s.count == 0 {
			s.first = s.list[n].start
		}
		s.count++
		s.samples += s.list[n].stop - s.list[n].start
		n++
	}
	s.list = slices.Delete(s.list, 0, n)
}

// total counts all stretches, with their samples, and tells where the first one starts.
func (s *spans) total() (count int, samples, first int64) {
	count, samples, first = s.count+len(s.list), s.samples, s.first
	if s.count == 0 && len(s.list) > 0 {
		first = s.list[0].start
	}
	for _, x := range s.list {
		samples += x.stop - x.start
	}
	return count, samples, first
}

func (s *spans) add(x span) {
	if s.slack == 0 {
		s.slack = 64
	}
	// Those that x touches: [i, j).
	i := len(s.list)
	for i > 0 && s.list[i-1].stop+s.slack > x.start {
		i--
	}
	j := i
	for j < len(s.list) && s.list[j].start < x.stop+s.slack {
		x.start, x.stop = min(x.start, s.list[j].start), max(x.stop, s.list[j].stop)
		j++
	}
	s.list = slices.Replace(s.list, i, j, x)
	for len(s.list) > maxSpans {
		s.slack *= 2
		merged := s.list[:1]
		for _, x := range s.list[1:] {
			if last := &merged[len(merged)-1]; x.start < last.stop+s.slack {
				last.stop = max(last.stop, x.stop)
			} else {
				merged = append(merged, x)
			}
		}
		s.list = merged
	}
}

// overlap tells whether [start, stop) meets a span; one of no length is met from both sides of it.
func (s *spans) overlap(start, stop int64) bool {
	i := sort.Search(len(s.list), func(i int) bool { return s.list[i].stop > start })
	return i < len(s.list) && s.list[i].start < stop
}
