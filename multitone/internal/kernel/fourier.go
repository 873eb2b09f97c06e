package kernel

import (
	"math"

	"tonepose/fieldmodels/variant"
)

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
	quarters       = stage(quartersGo)
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

// Odds is a stage as Quarters is, of radix three or five: of rows a radix-th of from apart
// it makes the transform of that length, each number but the first times one of radix − 1
// turns exp(−j2πkp/(radix·m)), k from 1 on.
func Odds(to, from, turns []complex128, s, radix int) {
	m := len(turns) / (radix - 1)
	n := radix * m * s * FourierColumns
	stage := &threes
	if radix == 5 {
		stage = &fives
	}
	(*stage)(to[:n], from[:n], turns[:(radix-1)*m], m, s)
}

type stage func(to, from, turns []complex128, m, s int)

var (
	threes       = oddsGo(3)
	threesKernel = variant.New("multitone.Threes", &threes)
	fives        = oddsGo(5)
	fivesKernel  = variant.New("multitone.Fives", &fives)
)

func oddsGo(radix int) stage {
	half := radix / 2
	var cos, sin [3][3]float64 // of number k, by pair of rows
	for k := 1; k <= half; k++ {
		for i := 1; i <= half; i++ {
			sin[k][i], cos[k][i] = math.Sincos(2 * math.Pi * float64(i*k%radix) / float64(radix))
		}
	}
	return func(to, from, turns []complex128, m, s int) {
		part, apart := s*FourierColumns, len(from)/radix
		var sums, differences [3]complex128
		for p := range m {
			turn, out := turns[(radix-1)*p:][:radix-1], to[radix*p*part:][:radix*part]
			for q := range part {
				x := from[p*part+q:]
				first := x[0]
				all := first
				for i := 1; i <= half; i++ {
					a, b := x[i*apart], x[(radix-i)*apart]
					sums[i], differences[i] = a+b, a-b
					all += sums[i]
				}
				out[q] = all
				for k := 1; k <= half; k++ {
					// Number k and the one as far from the end are even − j·odd and even + j·odd.
					even, odd := first, complex128(0)
					for i := 1; i <= half; i++ {
						c, s, a, b := cos[k][i], sin[k][i], sums[i], differences[i]
						even += complex(c*real(a), c*imag(a))
						odd += complex(-s*imag(b), s*real(b)) // times j
					}
					out[k*part+q] = (even - odd) * turn[k-1]
					out[(radix-k)*part+q] = (even + odd) * turn[radix-k-1]
				}
			}
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
