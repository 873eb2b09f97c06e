package kernel

import "tonepose/fieldmodels/variant"

// Halves joins the sums of a window's two halves. Rows 2i and 2i+1 hold the even and
// the odd part of the weights of function i over the second half; over the first
// half they stand in a mirror. Of these rows' sums a and b of the first half, c and d
// of the second, function i is
//
//	Re a − Im a + Re c + Im c + j·(Im b − Re b + Re d + Im d),
//
// written times scale for each channel to dst, channel by channel.
func (r *Rows[T]) Halves(dst, first, last []complex128, i int, scale []float64) {
	at := r.Index(0, 2*i)
	end := at + (len(scale)-1)*group + 2
	halves(dst[:len(scale)], first[at:end], last[at:end], scale)
}

var (
	halves       = halvesGo
	halvesKernel = variant.New("multitone.Halves", &halves)
)

// halvesGo takes pairs that stand group numbers apart.
func halvesGo(dst, first, last []complex128, scale []float64) {
	for c, s := range scale {
		a, b := first[c*group:c*group+2], last[c*group:c*group+2]
		re := (real(a[0]) - imag(a[0])) + (real(b[0]) + imag(b[0]))
		im := (imag(a[1]) - real(a[1])) + (real(b[1]) + imag(b[1]))
		dst[c] = complex(re*s, im*s)
	}
}
