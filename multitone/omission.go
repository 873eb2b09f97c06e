package multitone

import (
	"cmp"
	"slices"
)

// Span is samples [Start, Stop).
type Span struct{ Start, Stop int64 }

// Join sorts spans and joins those that touch, in their own memory.
func Join(list []Span) []Span {
	slices.SortFunc(list, func(a, b Span) int { return cmp.Compare(a.Start, b.Start) })
	kept := list[:0]
	for _, s := range list {
		if n := len(kept); n > 0 && s.Start <= kept[n-1].Stop {
			kept[n-1].Stop = max(kept[n-1].Stop, s.Stop)
		} else {
			kept = append(kept, s)
		}
	}
	return kept
}

// omissions are samples that weigh nothing, by channel, in rising order and apart.
type omissions struct {
	lists  [][]Span
	last   int64  // where the last of them ends
	breaks []Span // where the time line breaks
}

// add takes samples [start, stop) of a channel.
func (o *omissions) add(channels, channel int, start, stop int64) {
	if start >= stop {
		return
	}
	if o.lists == nil {
		o.lists = make([][]Span, channels)
	}
	o.last = max(o.last, stop)
	list := o.lists[channel]
	i, _ := slices.BinarySearchFunc(list, start, func(s Span, at int64) int { return cmp.Compare(s.Stop, at) })
	j := i
	for j < len(list) && list[j].Start <= stop {
		start, stop = min(start, list[j].Start), max(stop, list[j].Stop)
		j++
	}
	o.lists[channel] = slices.Replace(list, i, j, Span{start, stop})
}

// meet tells whether anything of samples from start on is left out.
func (o *omissions) meet(start int64) bool { return start < o.last }

// within are the samples of a channel that are left out, of [start, stop), in
// memory of list.
func (o *omissions) within(list []Span, channel int, start, stop int64) []Span {
	list = list[:0]
	if o.lists == nil {
		return list
	}
	all := o.lists[channel]
	first, _ := slices.BinarySearchFunc(all, start, func(s Span, at int64) int { return cmp.Compare(s.Stop, at+1) })
	for _, s := range all[first:] {
		if s.Start >= stop {
			break
		}
		list = append(list, Span{max(s.Start, start), min(s.Stop, stop)})
	}
	return list
}

// keep leaves of samples from start on, channels side by side, those alone that are left out,
// and tells whether there are any.
func (o *omissions) keep(x []float64, channels int, start int64) (any bool) {
	stop := start + int64(len(x)/channels)
	var list []Span
	for c := range channels {
		at := 0
		list = o.within(list, c, start, stop)
		any = any || len(list) > 0
		for _, s := range append(list, Span{stop, 0}) {
			for ; at < int(s.Start-start); at++ {
				x[at*channels+c] = 0
			}
			at = int(s.Stop - start)
		}
	}
	return any
}

// forget drops what ends before a sample.
func (o *omissions) forget(before int64) {
	o.breaks = slices.DeleteFunc(o.breaks, func(s Span) bool { return s.Stop < before })
	for c, list := range o.lists {
		n := 0
		for n < len(list) && list[n].Stop <= before {
			n++
		}
		o.lists[c] = slices.Delete(list, 0, n)
	}
}

// cut notes that the time line breaks somewhere in [start, stop]: what holds a break is
// no measure of noise.
func (o *omissions) cut(start, stop int64) {
	if n := len(o.breaks); n == 0 || o.breaks[n-1] != (Span{start, stop}) {
		o.breaks = append(o.breaks, Span{start, stop})
	}
}

// lost is the share of a window's squared weights that is left out of each channel;
// nil where nothing is.
func (o *omissions) lost(s shape, channels int, start int64) (share []float64) {
	stop := start + int64(s.length)
	for _, b := range o.breaks {
		if b.Start <= stop && start <= b.Stop {
			return slices.Repeat([]float64{1}, channels)
		}
	}
	if !o.meet(start) {
		return nil
	}
	squared := s.squared()
	whole := squared.spectrum(0)
	for c := range o.lists {
		for _, v := range o.lists[c] {
			from, to := max(v.Start, start), min(v.Stop, stop)
			if from >= to {
				continue
			}
			if share == nil {
				share = make([]float64, channels)
			}
			share[c] += real(squared.partial(0, int(from-start), int(to-start))) / whole
		}
	}
	return share
}
