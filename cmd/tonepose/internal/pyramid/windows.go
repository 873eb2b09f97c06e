package pyramid

import "math"

const mostCells = 1 << 20

// Windows are some of many windows of numbers, evenly picked, in memory: every so many-th
// one, so many that no more than a million cells are kept. A cell is three numbers, in 32
// bits, and a mark M. One goroutine fills them; after that many may read.
type Windows[M any] struct {
	Every  int // which windows are kept
	Time   []float64
	Values [][3]float32 // window by window, Cells each; NaN: none
	Marks  []M          // alike

	cells int // of a window
}

// NewWindows begins windows of so many cells. No more than total cells are expected.
func NewWindows[M any](cells, total int) *Windows[M] {
	total = min(total, mostCells)
	return &Windows[M]{Every: 1, cells: cells, Values: make([][3]float32, 0, total), Marks: make([]M, 0, total)}
}

// Begin begins the window of a number, counted from 0, and tells whether it is kept.
// Where there are too many, every other one is left out.
func (w *Windows[M]) Begin(number int, time float64) bool {
	if number%w.Every != 0 {
		return false
	}
	if n := len(w.Time); n > 1 && (n+1)*w.cells > mostCells {
		w.Every *= 2
		kept := 0
		for i := 0; i < n; i += 2 {
			w.Time[kept] = w.Time[i]
			copy(w.Values[kept*w.cells:], w.Values[i*w.cells:][:w.cells])
			copy(w.Marks[kept*w.cells:], w.Marks[i*w.cells:][:w.cells])
			kept++
		}
		w.Time, w.Values, w.Marks = w.Time[:kept], w.Values[:kept*w.cells], w.Marks[:kept*w.cells]
		if number%w.Every != 0 {
			return false
		}
	}
	w.Time = append(w.Time, time)
	nan := float32(math.NaN())
	var none M
	for range w.cells {
		w.Values, w.Marks = append(w.Values, [3]float32{nan, nan, nan}), append(w.Marks, none)
	}
	return true
}

// Put sets a cell of the newest window.
func (w *Windows[M]) Put(cell int, a, b, c float64, mark M) {
	at := (len(w.Time)-1)*w.cells + cell
	w.Values[at], w.Marks[at] = [3]float32{float32(a), float32(b), float32(c)}, mark
}
