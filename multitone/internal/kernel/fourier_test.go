package kernel

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"

	"tonepose/fieldmodels/variant"
	"tonepose/fieldmodels/variant/varianttest"
)

// One stage is what its formula says, written with powers of j, within four roundings
// of the sums and four of the product; no more is written than its numbers.
func TestQuartersMatchTheDefinition(t *testing.T) {
	varianttest.Each(t, quartersKernel, func(t *testing.T) {
		rng := rand.New(rand.NewPCG(4, 40))
		for m := 1; m <= 5; m++ {
			for s := 1; s <= 5; s++ {
				n := 4 * m * s * FourierColumns
				from, turns := random(rng, n), random(rng, 3*m)
				inside, untouched := guard[float64](t, 2*n)
				to := complexes(inside)
				Quarters(to, from, turns, s)
				untouched()
				for p := range m {
					for i := range s * FourierColumns {
						for k := range 4 {
							var want complex128
							size := 0.0
							for q := range 4 {
								v := from[q*m*s*FourierColumns+p*s*FourierColumns+i]
								want += v * []complex128{1, -1i, -1, 1i}[q*k%4]
								size += cmplx.Abs(v)
							}
							if k > 0 {
								want *= turns[3*p+k-1]
								size *= cmplx.Abs(turns[3*p+k-1])
							}
							got := to[(4*p+k)*s*FourierColumns+i]
							if !(cmplx.Abs(got-want) <= 8*0x1p-52*size) {
								t.Fatalf("m %d, s %d, turn %d, number %d, part %d: %v, want %v", m, s, p, i, k, got, want)
							}
						}
					}
				}
			}
		}
	})
}

// Stages one after the other are the discrete Fourier transform, column by column, of
// a length of 64: within 3 stages of a few roundings each of the sum of the magnitudes.
func TestQuartersMakeATransform(t *testing.T) {
	varianttest.Each(t, quartersKernel, func(t *testing.T) {
		const n = 64
		x := random(rand.New(rand.NewPCG(4, 41)), n*FourierColumns)
		a, b := append([]complex128(nil), x...), make([]complex128, len(x))
		for s := 1; s < n; s *= 4 {
			var turns []complex128
			for p := range n / (4 * s) {
				for k := 1; k <= 3; k++ {
					turns = append(turns, cmplx.Rect(1, -2*math.Pi*float64(k*p*s)/n))
				}
			}
			Quarters(b, a, turns, s)
			a, b = b, a
		}
		for c := range FourierColumns {
			for k := range n {
				var want complex128
				size := 0.0
				for i := range n {
					v := x[i*FourierColumns+c]
					want += v * cmplx.Rect(1, -2*math.Pi*float64(i*k%n)/n)
					size += cmplx.Abs(v)
				}
				if got := a[k*FourierColumns+c]; !(cmplx.Abs(got-want) <= 24*0x1p-52*size) {
					t.Fatalf("column %d, number %d: %v, want %v", c, k, got, want)
				}
			}
		}
	})
}

// One stage is what its formula says, within a rounding of each sum, a cosine and a sine that
// are rounded, and four roundings of the product; no more is written than its numbers.
func TestOddsMatchTheDefinition(t *testing.T) {
	for radix, k := range map[int]*variant.Kernel[stage]{3: threesKernel, 5: fivesKernel} {
		varianttest.Each(t, k, func(t *testing.T) {
			rng := rand.New(rand.NewPCG(4, 46))
			for m := 1; m <= 5; m++ {
				for s := 1; s <= 5; s++ {
					n := radix * m * s * FourierColumns
					from, turns := random(rng, n), random(rng, (radix-1)*m)
					inside, untouched := guard[float64](t, 2*n)
					to := complexes(inside)
					Odds(to, from, turns, s, radix)
					untouched()
					for p := range m {
						for i := range s * FourierColumns {
							for k := range radix {
								var want complex128
								size := 0.0
								for q := range radix {
									v := from[q*m*s*FourierColumns+p*s*FourierColumns+i]
									want += v * cmplx.Rect(1, -2*math.Pi*float64(q*k%radix)/float64(radix))
									size += cmplx.Abs(v)
								}
								if k > 0 {
									want *= turns[(radix-1)*p+k-1]
									size *= cmplx.Abs(turns[(radix-1)*p+k-1])
								}
								got := to[(radix*p+k)*s*FourierColumns+i]
								if !(cmplx.Abs(got-want) <= 12*0x1p-52*size) {
									t.Fatalf("radix %d, m %d, s %d, turn %d, number %d, part %d: %v, want %v", radix, m, s, p, i, k, got, want)
								}
							}
						}
					}
				}
			}
		})
	}
}

// Within a rounding of each operation.
func TestTaperColumnsMatchTheDefinition(t *testing.T) {
	varianttest.Each(t, taperColumnsKernel, func(t *testing.T) {
		rng := rand.New(rand.NewPCG(4, 42))
		const across = 7
		for rows := 1; rows <= 9; rows++ {
			size := across * rows
			x, y, w := floats(rng, size), floats(rng, size), floats(rng, size)
			inside, untouched := guard[float64](t, 2*rows*FourierColumns)
			to := complexes(inside)
			TaperColumns(to, x[3:], y[3:], w[3:], across, 0.25, -0.5)
			untouched()
			for i, got := range to {
				at := 3 + i/FourierColumns*across + i%FourierColumns
				want := complex((x[at]-0.25)*w[at], (y[at]+0.5)*w[at])
				if !(cmplx.Abs(got-want) <= 4*0x1p-53*cmplx.Abs(want)) {
					t.Fatalf("%d rows, number %d: %v, want %v", rows, i, got, want)
				}
			}
		}
	})
}

// Row and column change places, and a turn each; nothing is written between tiles. A
// product has three roundings.
func TestTurnTilesMatchTheDefinition(t *testing.T) {
	varianttest.Each(t, turnTilesKernel, func(t *testing.T) {
		rng := rand.New(rand.NewPCG(4, 43))
		const tile, step = 16, 21
		for tiles := 1; tiles <= 5; tiles++ {
			n := (tiles-1)*step + tile
			from, turns := random(rng, tiles*tile), random(rng, n)
			inside, untouched := guard[float64](t, 2*n)
			to := complexes(inside)
			for i := range to {
				to[i] = 7
			}
			TurnTiles(to, from, turns, step)
			untouched()
			for i, got := range to {
				want := complex128(7)
				if at := i % step; at < tile {
					want = from[i/step*tile+at%4*4+at/4] * turns[i]
				}
				if !(cmplx.Abs(got-want) <= 4*0x1p-52*cmplx.Abs(want)) {
					t.Fatalf("%d tiles, number %d: %v, want %v", tiles, i, got, want)
				}
			}
		}
	})
}

// Of positive terms each operation rounds once.
func TestAddPowersMatchTheDefinition(t *testing.T) {
	varianttest.Each(t, addPowersKernel, func(t *testing.T) {
		rng := rand.New(rand.NewPCG(4, 44))
		for n := 4; n <= 20; n += 4 {
			z := random(rng, n)
			sum, untouched := guard[float64](t, n)
			for i := range sum {
				sum[i] = float64(i)
			}
			AddPowers(sum, z)
			untouched()
			for i, z := range z {
				want := float64(i) + math.Pow(cmplx.Abs(z), 2)
				if !(math.Abs(sum[i]-want) <= 8*0x1p-52*want) {
					t.Fatalf("%d numbers, number %d: %v, want %v", n, i, sum[i], want)
				}
			}
		}
	})
}

func floats(rng *rand.Rand, n int) []float64 {
	x := make([]float64, n)
	for i := range x {
		x[i] = rng.NormFloat64()
	}
	return x
}
