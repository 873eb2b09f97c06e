package pyramid

import "math"

// Picked are rows as they are, some left out: every Every-th and those where flags
// change. Rows of NaN stand where time has a gap.
type Picked struct {
	Every  int
	Time   []float64
	Flags  []uint32
	Values [][]float32 // by column asked for
}

// Pick picks about so many rows of a stretch of time, both ends included.
func (r *Rows) Pick(from, to float64, points int, columns []int) Picked {
	r.mu.RLock()
	defer r.mu.RUnlock()
	first, end := r.search(from), r.search(math.Nextafter(to, math.Inf(1)))
	p := Picked{Every: max(1, (end-first+points-1)/max(points, 1)), Values: make([][]float32, len(columns))}
	size := min(end-first, points+points/4) + 1
	p.Time, p.Flags = make([]float64, 0, size), make([]uint32, 0, size)
	for k := range p.Values {
		p.Values[k] = make([]float32, 0, size)
	}
	extra := points / 4 // changes of flags that are kept beside the even rows
	before, hop, flags, wait := math.NaN(), 0.0, uint32(0), 0
	for i := first; i < end; {
		c, j := r.chunks[i/perChunk], i%perChunk
		stop := min(perChunk, j+end-i)
		for ; j < stop; j, i = j+1, i+1 {
			t, f := c.time[j], c.flags[j]
			gap := t-before > 1.5*hop && i > first && r.gap(i)
			turn := f != flags && i > first && extra > 0
			at := before
			hop = t - before
			before, flags = t, f
			switch {
			case gap:
				p.gap((t + at) / 2)
			case wait == 0 || i == end-1:
			case turn:
				extra--
			default:
				wait--
				continue
			}
			if wait--; wait < 0 {
				wait = p.Every - 1
			}
			p.Time, p.Flags = append(p.Time, t), append(p.Flags, f)
			for k, column := range columns {
				p.Values[k] = append(p.Values[k], c.value(column, j))
			}
		}
	}
	return p
}

func (p *Picked) gap(at float64) {
	p.Time, p.Flags = append(p.Time, at), append(p.Flags, 0)
	for k := range p.Values {
		p.Values[k] = append(p.Values[k], nan)
	}
}

// Binned is a stretch of time in bins of equal length, those without a row left out.
type Binned struct {
	Time      []float64 // middle of each bin
	Flags     []uint32  // of any of its rows
	Flagged   []float32 // share of its rows that have a flag
	Low, High [][]float32
	Rows      int
	AllFlags  uint32
}

// Bin gives least and largest values of a stretch of time in so many bins.
func (r *Rows) Bin(from, to float64, bins int, columns []int) Binned {
	r.mu.RLock()
	defer r.mu.RUnlock()
	first, end := r.search(from), r.search(math.Nextafter(to, math.Inf(1)))
	b := Binned{Rows: end - first, Low: make([][]float32, len(columns)), High: make([][]float32, len(columns))}
	width, at := (to-from)/float64(bins), -1
	count, flagged := 0, 0
	finish := func() {
		if count > 0 {
			b.Flagged[len(b.Flagged)-1] = float32(flagged) / float32(count)
		}
		count, flagged = 0, 0
	}
	begin := func(i int, t float64, flags uint32) {
		k := min(max(int((t-from)/width), 0), bins-1)
		if k != at {
			finish()
			if at >= 0 && k > at+1 && i > first && r.time(i)-r.time(i-1) > width && r.gap(i) {
				b.add(from+(float64(at)+1.5)*width, true)
			}
			b.add(from+(float64(k)+0.5)*width, false)
			at = k
		}
		b.Flags[len(b.Flags)-1] |= flags
		b.AllFlags |= flags
	}
	// An entry of a level is at most a third of a bin, so that bins are blurred by less
	// than that.
	scale, level := 1, -1
	for l := range 2 {
		if (end-first)/bins >= 3*scale*fan {
			scale, level = scale*fan, l
		}
	}
	for i := first; i < end; {
		c, j := r.chunks[i/perChunk], i%perChunk
		if level < 0 || j%scale != 0 || i+scale > end {
			begin(i, c.time[j], c.flags[j])
			if count++; c.flags[j] != 0 {
				flagged++
			}
			for k, column := range columns {
				v := c.value(column, j)
				widen(&b.Low[k][len(b.Time)-1], &b.High[k][len(b.Time)-1], v, v)
			}
			i++
			continue
		}
		l, e := &c.levels[level], j/scale
		begin(i, c.time[j+scale/2], l.flags[e])
		count, flagged = count+scale, flagged+int(l.flagged[e])
		for k, column := range columns {
			widen(&b.Low[k][len(b.Time)-1], &b.High[k][len(b.Time)-1], l.low[column][e], l.high[column][e])
		}
		i += scale
	}
	finish()
	return b
}

// add begins a bin; a gap stays without a value.
func (b *Binned) add(time float64, gap bool) {
	b.Time, b.Flags, b.Flagged = append(b.Time, time), append(b.Flags, 0), append(b.Flagged, 0)
	for k := range b.Low {
		b.Low[k], b.High[k] = append(b.Low[k], nan), append(b.High[k], nan)
	}
}
