package multitone

// history keeps the latest samples, all channels of a sample side by side.
type history struct {
	channels, keep int // samples that are kept, at least
	x              []float64
	from, to       int64 // what there is
}

// begin forgets all samples before one; the next is this one.
func (h *history) begin(at int64) { h.x, h.from, h.to = h.x[:0], at, at }

// add takes n samples of x from sample i of it on.
func (h *history) add(x [][]float64, i, n int) {
	if room := 2 * h.keep * h.channels; len(h.x)+n*h.channels > room {
		if cap(h.x) < room {
			h.x = append(make([]float64, 0, room), h.x...)
		}
		drop := max(0, len(h.x)-h.keep*h.channels)
		h.x = h.x[:copy(h.x, h.x[drop:])]
		h.from += int64(drop / h.channels)
	}
	at := len(h.x)
	if need := at + n*h.channels; need > cap(h.x) {
		h.x = append(make([]float64, 0, max(need, 2*h.keep*h.channels)), h.x...)
	}
	h.x = h.x[:at+n*h.channels]
	interleave(h.x[at:], x, i)
	h.to += int64(n)
}

// samples are those of [start, stop), which are kept.
func (h *history) samples(start, stop int64) []float64 {
	return h.x[int(start-h.from)*h.channels : int(stop-h.from)*h.channels]
}
