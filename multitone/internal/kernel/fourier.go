package kernel

import "tonepose/fieldmodels/variant"

// FourierColumns is how many transforms Quarters advances side by side.
const FourierColumns = 4

// Quarters is one stage of FourierColumns Fourier transforms of length 4·m·s, whose
// numbers lie side by side, a row for each place: of rows a, b, c, d a quarter of from apart it makes
//
//	a+b+c+d, (a−jb−c+jd)·t₁, (a−b+c−d)·t₂, (a+jb−c−jd)·t₃,
//
// and lays them s rows apart in to, in order. Each three of turns, t₁ to t₃, serve s
// rows, m times. With turns exp(−j2πkp/(4m)), k = 1, 2, 3, p from 0 on, stages of s = 1,
// 4, 16 … to s = length/4 give the transform in its natural order (the autosort of
// Stockham; Van Loan, Computational Frameworks for the Fast Fourier Transform, 1992,
// section 1.7, at base four).
func Quarters(to, from, turns []complex128, s int) {
	m := len(turns) / 3
	n := 4 * m * s * FourierColumns
	quarters(to[:n], from[:n], turns[:3*m], m, s)
}

var (
	quarters       = quartersGo
	quartersKernel = variant.New("multitone.Quarters", &quarters)
)

func quartersGo(to, from, turns []complex128, m, s int) {
	part, quarter := s*FourierColumns, len(from)/4
	for p := range m {
		t1, t2, t3 := turns[3*p], turns[3*p+1], turns[3*p+2]
		a, b := from[p*part:][:part], from[p*part+quarter:][:part]
		c, d := from[p*part+2*quarter:][:part], from[p*part+3*quarter:][:part]
		out := to[4*p*part:][:4*part]
		w, x, y, z := out[:part], out[part:2*part], out[2*part:3*part], out[3*part:]
		for i, a := range a {
			b, c, d := b[i], c[i], d[i]
			even, odd, evenB, oddB := a+c, a-c, b+d, b-d
			oddB = complex(-imag(oddB), real(oddB)) // times j
			w[i] = even + evenB
			x[i] = (odd - oddB) * t1
			y[i] = (even - evenB) * t2
			z[i] = (odd + oddB) * t3
		}
	}
}
