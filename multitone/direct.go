package multitone

// maxDirect is the longest window that has tables of its own over its whole
// length; longer ones are projected in chunks.
const maxDirect = 16384

// direct computes linear functions of a window of samples, such as the joint
// fit's amplitudes, without the projections they are made of: the fit is built
// into the tables. Lines and drift that are fitted beside the tones cost nothing.
//
// Windows that overlap by half share their products: the window is summed in
// two blocks, each of which ends one window and begins the next. The second
// block's weights f are those of the first in a mirror, so f·x of one window and
// the mirrored sum of the next are the sum and the difference of the same two
// numbers.
type direct struct {
	length, channels int
	paired           bool
	sums             summer
	first, last      []complex128 // of the window's blocks; only last unless paired
	firstAt          int64        // where first was summed; −1: nowhere
	step             int          // in these, from channel to channel
}

func newDirect(p Precision, length, rows, channels int, paired bool) *direct {
	d := &direct{length: length, channels: channels, paired: paired, firstAt: -1}
	if paired {
		d.sums = newSummer(p, length/2, 2*rows, channels)
		d.first = make([]complex128, d.sums.Size())
	} else {
		d.sums = newSummer(p, length, rows, channels)
	}
	d.last = make([]complex128, d.sums.Size())
	d.step = d.sums.Index(1, 0)
	return d
}

// set gives the functions from row on their tables.
func (d *direct) set(row int, h half) {
	d.firstAt = -1
	for i := range h.even {
		if !d.paired {
			d.sums.Set(row+i, 0, h.even[i], h.odd[i])
			continue
		}
		for part, f := range [][]float64{h.even[i], h.odd[i]} {
			block := len(f)
			up, down := block/2, (block-1)/2
			even, odd := make([]float64, d.sums.Half()), make([]float64, d.sums.Half())
			for n := range even {
				a, b := f[up+n], f[down-n]
				even[n], odd[n] = (a+b)/2, (a-b)/2
			}
			d.sums.Set(2*(row+i)+part, 0, even, odd)
		}
	}
}

// window sums over the samples x of a window that starts at sample start.
func window[S sample](d *direct, x []S, start int64) {
	if !d.paired {
		sum(d.sums, d.last, x)
		return
	}
	middle := len(x) / 2
	if d.firstAt == start {
		d.first, d.last = d.last, d.first
	} else {
		sum(d.sums, d.first, x[:middle])
	}
	sum(d.sums, d.last, x[middle:])
	d.firstAt = start + int64(d.length/2)
}

// values writes rows from first on of all channels, times a scale for each, to
// dst, row·channels + channel.
func (d *direct) values(dst []complex128, first int, scale []float64) {
	for row := first; len(dst) > 0; row, dst = row+1, dst[len(scale):] {
		if d.paired {
			d.sums.Halves(dst, d.first, d.last, row, scale)
			continue
		}
		at := d.sums.Index(0, row)
		for c, s := range scale {
			v := d.last[at+c*d.step]
			dst[c] = complex(real(v)*s, imag(v)*s)
		}
	}
}
