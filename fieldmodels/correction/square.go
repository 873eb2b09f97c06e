package correction

import (
	"runtime"
	"sync"
	"sync/atomic"

	"gonum.org/v1/gonum/blas/blas64"

	"tonepose/fieldmodels/lines"
)

// addSquare adds factor·w·wᵀ to the upper triangle of a, column by column of blocks as
// wide as a line, which are side by side on all processors: every one by itself, so that
// the sums are the same for any number of them.
func addSquare(factor float64, a blas64.Symmetric, w blas64.General) {
	blocks := (a.N + lines.Width - 1) / lines.Width
	const small = 1 << 22 // products: some 200 µs
	if a.N*a.N/2*w.Cols > small {
		sideBySide(blocks, func(b int) { new(squareRoom).add(factor, a, w, b*lines.Width) })
		return
	}
	room := new(squareRoom)
	for b := range blocks {
		room.add(factor, a, w, b*lines.Width)
	}
}

// sideBySide does tasks 0 to n−1 on all processors.
func sideBySide(n int, task func(i int)) {
	var next atomic.Int64
	work := func() {
		for i := int(next.Add(1)) - 1; i < n; i = int(next.Add(1)) - 1 {
			task(i)
		}
	}
	var others sync.WaitGroup
	for range min(runtime.GOMAXPROCS(0), n) - 1 {
		others.Go(work)
	}
	work()
	others.Wait()
}

// squareRoom is what a block of columns needs: as many columns of w as fit in the nearest
// cache, turned into lines, and the sums of some rows.
type squareRoom struct {
	panel [192]lines.Line
	sums  [48]lines.Line
}

// add adds the columns of a from first on.
func (r *squareRoom) add(factor float64, a blas64.Symmetric, w blas64.General, first int) {
	width := min(lines.Width, a.N-first)
	for k := 0; k < w.Cols; k += len(r.panel) {
		panel := r.panel[:min(len(r.panel), w.Cols-k)]
		for c := range lines.Width {
			if c >= width {
				for i := range panel {
					panel[i][c] = 0
				}
				continue
			}
			for i, v := range w.Data[(first+c)*w.Stride+k:][:len(panel)] {
				panel[i][c] = factor * v
			}
		}
		for from := 0; from < first+width; from += len(r.sums) {
			sums := r.sums[:min(len(r.sums), first+width-from)]
			clear(sums)
			lines.AddRows(sums, w.Data[from*w.Stride+k:], w.Stride, panel)
			for i := range sums {
				row := a.Data[(from+i)*a.Stride+first:][:width]
				for c := max(0, from+i-first); c < width; c++ {
					row[c] += sums[i][c]
				}
			}
		}
	}
}
