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

// TaperColumns writes (x − meanX + j(y − meanY))·taper of FourierColumns columns of
// matrices that stand row by row, across numbers each, from the first number of the
// slices on; to has its rows.
func TaperColumns(to []complex128, x, y, taper []float64, across int, meanX, meanY float64) {
	rows := len(to) / FourierColumns
	n := (rows-1)*across + FourierColumns
	taperColumns(to[:rows*FourierColumns], x[:n], y[:n], taper[:n], across, meanX, meanY)
}

// TurnTiles takes tiles of FourierColumns rows and columns from rows of that length,
// transposes them and multiplies them by turns. to and turns have one each step numbers.
func TurnTiles(to, from, turns []complex128, step int) {
	tiles := len(from) / (FourierColumns * FourierColumns)
	n := (tiles-1)*step + FourierColumns*FourierColumns
	turnTiles(to[:n], from[:tiles*FourierColumns*FourierColumns], turns[:n], step)
}

// AddPowers adds |z|² to sum; their length is a multiple of four.
func AddPowers(sum []float64, z []complex128) {
	addPowers(sum, z[:len(sum)])
}

var (
	taperColumns       = taperColumnsGo
	taperColumnsKernel = variant.New("multitone.TaperColumns", &taperColumns)
	turnTiles          = turnTilesGo
	turnTilesKernel    = variant.New("multitone.TurnTiles", &turnTiles)
	addPowers          = addPowersGo
	addPowersKernel    = variant.New("multitone.AddPowers", &addPowers)
)

func taperColumnsGo(to []complex128, x, y, taper []float64, across int, meanX, meanY float64) {
	for at := 0; len(to) > 0; at, to = at+across, to[FourierColumns:] {
		w, x, y := taper[at:at+FourierColumns], x[at:at+FourierColumns], y[at:at+FourierColumns]
		for i, w := range w {
			to[i] = complex((x[i]-meanX)*w, (y[i]-meanY)*w)
		}
	}
}

func turnTilesGo(to, from, turns []complex128, step int) {
	for at := 0; len(from) > 0; at, from = at+step, from[FourierColumns*FourierColumns:] {
		out := to[at : at+FourierColumns*FourierColumns]
		for i, t := range turns[at : at+FourierColumns*FourierColumns] {
			out[i] = from[i%FourierColumns*FourierColumns+i/FourierColumns] * t
		}
	}
}

func addPowersGo(sum []float64, z []complex128) {
	for i, z := range z {
		sum[i] += real(z)*real(z) + imag(z)*imag(z)
	}
}
