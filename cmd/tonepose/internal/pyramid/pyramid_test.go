package pyramid

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

// Bins of rows have the least and largest of the rows in them, found here one by one; an
// entry may lie up to its own length beside its bin, which the neighbours then cover.
func TestBinsOfRows(t *testing.T) {
	random := rand.New(rand.NewPCG(1, 2))
	const n = 3*perChunk + 777
	r := NewRows(2, 0)
	var time []float64
	var flags []uint32
	var value []float32
	at := 0.0
	for i := range n {
		at += 0.01
		v := float32(math.Sin(at/3) + 0.1*random.NormFloat64())
		if random.IntN(50) == 0 {
			v = nan
		}
		f := uint32(0)
		if random.IntN(1000) == 0 {
			f = 1 << random.IntN(4)
		}
		time, flags, value = append(time, at), append(flags, f), append(value, v)
		if !r.Append(at, f, []float32{v, float32(i)}) {
			t.Fatal("a later row was refused")
		}
	}
	if r.Append(at-1, 0, []float32{0, 0}) {
		t.Error("an earlier row was taken")
	}
	if math.Abs(r.Hop()-0.01) > 1e-9 {
		t.Errorf("hop %g, want 0.01", r.Hop())
	}
	for range 200 {
		i, j := random.IntN(n), random.IntN(n)
		i, j = min(i, j), max(i, j)
		from, to, bins := time[i], time[j]+1e-3, 1+random.IntN(900)
		b := r.Bin(from, to, bins, []int{0, 1})
		if b.Rows != j-i+1 {
			t.Fatalf("%d rows from %g to %g, want %d", b.Rows, from, to, j-i+1)
		}
		all := uint32(0)
		low, high := float32(math.Inf(1)), float32(math.Inf(-1))
		for k := i; k <= j; k++ {
			all |= flags[k]
			if value[k] == value[k] {
				low, high = min(low, value[k]), max(high, value[k])
			}
		}
		if b.AllFlags != all {
			t.Errorf("flags %b, want %b", b.AllFlags, all)
		}
		var gotLow, gotHigh []float32
		share := 0.0
		width := (to - from) / float64(bins)
		for k := range b.Time {
			if v := b.Low[0][k]; v == v {
				gotLow, gotHigh = append(gotLow, v), append(gotHigh, b.High[0][k])
			}
			share += float64(b.Flagged[k])
			// Column 1 counts rows, so it tells which rows a bin has: none further away than
			// an entry of a third of a bin.
			if v := b.Low[1][k]; v == v {
				reach := width*(0.5+1/3.0) + 0.01
				if off := math.Abs(time[int(v)] - b.Time[k]); off > reach {
					t.Fatalf("bin at %g has the row of %g: %g away, with bins of %g", b.Time[k], time[int(v)], off, width)
				}
			}
		}
		if len(gotLow) > 0 && (slices.Min(gotLow) != low || slices.Max(gotHigh) != high) {
			t.Errorf("%g to %g, want %g to %g", slices.Min(gotLow), slices.Max(gotHigh), low, high)
		}
	}
}

// Rows beyond what is kept are forgotten, the newest stay, and numbers go on.
func TestRowsForget(t *testing.T) {
	r := NewRows(1, 5000)
	for i := range 40000 {
		r.Append(float64(i), 0, []float32{float32(i)})
	}
	if n := r.Len(); n < 5000 || n > 5000+perChunk {
		t.Errorf("%d rows are kept, want 5000 and a chunk at most", n)
	}
	if row, ok := r.At(39999); !ok || row.Number != 39999 || row.Values[0] != 39999 {
		t.Errorf("the newest row is %+v", row)
	}
	if row, ok := r.At(0); !ok || row.Number != 40000-r.Len() {
		t.Errorf("the oldest row is %+v", row)
	}
	if row, ok := r.Step(39000, -100); !ok || row.Time != 38900 {
		t.Errorf("100 rows before 39000: %+v", row)
	}
}

// Where rows are missing a row without values stands, so that no line is drawn across.
func TestPickedRowsShowGaps(t *testing.T) {
	r := NewRows(1, 0)
	for i := range 1000 {
		if i < 400 || i >= 500 {
			f := uint32(0)
			if i == 700 {
				f = 4
			}
			r.Append(float64(i), f, []float32{float32(i)})
		}
	}
	for _, points := range []int{2000, 100} {
		p := r.Pick(0, 1000, points, []int{0})
		gaps, flagged := 0, 0
		for i, v := range p.Values[0] {
			if v != v {
				gaps++
				if p.Time[i] < 399 || p.Time[i] > 500 {
					t.Errorf("a gap at %g", p.Time[i])
				}
			}
			if p.Flags[i] == 4 {
				flagged++
			}
		}
		if gaps != 1 || flagged != 1 {
			t.Errorf("%d points: %d gaps and %d flagged rows, want one of each", points, gaps, flagged)
		}
	}
	if row, ok := r.Turn(0, true); !ok || row.Time != 700 {
		t.Errorf("the flag begins at %+v, want 700", row)
	}
	if row, ok := r.Turn(999, false); !ok || row.Time != 700 {
		t.Errorf("backwards the flag begins at %+v, want 700", row)
	}
	if row, ok := r.Turn(700, true); ok {
		t.Errorf("after it no flag begins, but %+v", row)
	}
}

// Where rows come less often from some time on, none is missing.
func TestLongerHopsAreNoGaps(t *testing.T) {
	r := NewRows(1, 0)
	at := 0.0
	for i := range 400 {
		hop := 0.01
		if i >= 200 {
			hop = 0.2
		}
		at += hop
		r.Append(at, 0, []float32{1})
	}
	for _, v := range r.Pick(0, at, 1000, []int{0}).Values[0] {
		if v != v {
			t.Fatal("a gap is drawn")
		}
	}
}

// Bins of samples have the least and largest of the samples in them, found here one by
// one, within an entry at their edges.
func TestBinsOfSamples(t *testing.T) {
	random := rand.New(rand.NewPCG(3, 4))
	const n = 2*perStretch + 5000
	x := [][]float32{make([]float32, n), make([]float32, n)}
	for i := range n {
		x[0][i], x[1][i] = float32(i), float32(random.NormFloat64())
	}
	s := NewSamples(2, 0)
	for at := 0; at < n; {
		m := min(1+random.IntN(3000), n-at)
		s.Append([][]float32{x[0][at : at+m], x[1][at : at+m]})
		at += m
	}
	if _, end := s.Span(); end != n-n%Finest {
		t.Errorf("covered up to %d of %d", end, n)
	}
	for range 200 {
		from := random.Int64N(n / 2)
		bins := 1 + random.IntN(300)
		to := from + int64(bins)*(Finest+random.Int64N(300))
		if to > n-Finest {
			continue
		}
		low, high := s.Bin(0, from, to, bins)
		noise, noiseHigh := s.Bin(1, from, to, bins)
		width := float64(to-from) / float64(bins)
		scale := float64(Finest)
		for scale*3*fan <= width {
			scale *= fan
		}
		for k := range low {
			begin := float64(from) + width*float64(k)
			if off := math.Abs(float64(low[k]) - begin); off > scale+1 {
				t.Fatalf("bin %d of %g samples begins at sample %g, want %g within %g", k, width, low[k], begin, scale)
			}
			// What the bin says it has, it has: no less and no more.
			part := x[1][int(low[k]) : int(high[k])+1]
			if noise[k] != slices.Min(part) || noiseHigh[k] != slices.Max(part) {
				t.Fatalf("bin %d: %g to %g, want %g to %g", k, noise[k], noiseHigh[k], slices.Min(part), slices.Max(part))
			}
		}
	}
}

// Of samples beyond what is kept nothing is left but a gap.
func TestSamplesForget(t *testing.T) {
	s := NewSamples(1, 2*perStretch)
	block := [][]float32{make([]float32, 1000)}
	for range 200 {
		s.Append(block)
	}
	first, end := s.Span()
	if kept := end - first; kept < 2*perStretch || kept > 4*perStretch {
		t.Errorf("%d samples are kept, want about %d", kept, 2*perStretch)
	}
	low, _ := s.Bin(0, 0, end, 100)
	if low[0] == low[0] || low[99] != 0 {
		t.Errorf("the first bin has %g, the last %g: want none and 0", low[0], low[99])
	}
}

// Appending to a full pyramid, and drawing it, whatever its length.
func BenchmarkRows(b *testing.B) {
	r := NewRows(20, 0)
	values := make([]float32, 20)
	for i := range 1_000_000 {
		values[0] = float32(i)
		r.Append(float64(i)*0.01, 0, values)
	}
	b.Run("bin", func(b *testing.B) {
		for b.Loop() {
			r.Bin(0, 10000, 1200, []int{0, 1, 2})
		}
	})
	b.Run("pick", func(b *testing.B) {
		for b.Loop() {
			r.Pick(0, 10000, 4000, []int{0, 1, 2})
		}
	})
}

// Rows that come by column are kept as those that come one by one, also where old ones are
// forgotten; what follows a fall of time is not taken.
func TestRowsByColumn(t *testing.T) {
	random := rand.New(rand.NewPCG(3, 4))
	for _, most := range []int{0, perChunk / 2, perChunk + 5} {
		one, all := NewRows(2, most), NewRows(2, most)
		for i := 0; i < 3*perChunk; {
			n := 1 + random.IntN(perChunk)
			time, flags, values := make([]float64, n), make([]uint32, n), [][]float32{make([]float32, n), make([]float32, n)}
			for k := range n {
				time[k], flags[k], values[0][k], values[1][k] = float64(i+k)/3, random.Uint32N(3), float32(random.NormFloat64()), nan
				one.Append(time[k], flags[k], []float32{values[0][k], nan})
			}
			if got := all.AppendAll(time, flags, values); got != n {
				t.Fatalf("%d of %d rows were taken", got, n)
			}
			i += n
		}
		if got := all.AppendAll([]float64{2e6, 2e6, 1e6, 3e6}, make([]uint32, 4), [][]float32{make([]float32, 4), make([]float32, 4)}); got != 2 {
			t.Errorf("%d rows were taken before time fell, want 2", got)
		}
		for range 2 {
			one.Append(2e6, 0, []float32{0, 0})
		}
		if one.n != all.n || one.dropped != all.dropped || one.Hop() != all.Hop() || len(one.chunks) != len(all.chunks) {
			t.Fatalf("%d rows, %d forgotten; by column %d, %d", one.n, one.dropped, all.n, all.dropped)
		}
		for i, c := range one.chunks {
			if fmt.Sprint(*c) != fmt.Sprint(*all.chunks[i]) {
				t.Errorf("chunk %d of %d differs", i, len(one.chunks))
			}
		}
	}
}
