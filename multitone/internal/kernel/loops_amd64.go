//go:build !purego

package kernel

import (
	"math"
	"unsafe"

	"tonepose/fieldmodels/variant"
)

func init() {
	singlesKernel.Add(variant.AVX2, loops[float32]{usual, foldQuads(fold16f32avx2), foldQuads(fold64f32avx2),
		sumTiles(chain, tile[float32]{2, 4, tile4f32avx2}, tile[float32]{1, 1, tile1f32avx2})})
	doublesKernel.Add(variant.AVX2, loops[float64]{usual, foldQuads(fold16f64avx2), foldQuads(fold64f64avx2),
		sumTiles(math.MaxInt, tile[float64]{2, 2, tile2f64avx2}, tile[float64]{1, 1, tile1f64avx2})})
	singlesKernel.Add(variant.AVX512, loops[float32]{runs, foldAll(fold16f32avx512), foldAll(fold64f32avx512), sumSingleAVX512})
	doublesKernel.Add(variant.AVX512, loops[float64]{usual, foldAll(fold16f64avx512), foldAll(fold64f64avx512),
		sumTiles(math.MaxInt, tile[float64]{12, 12, tile12f64avx512}, tile[float64]{2, 4, tile4f64avx512}, tile[float64]{1, 1, tile1f64avx512})})
}

// The loops in assembly fold n positions; a position of the channels' sums and
// differences is dstStep bytes on, one of the samples step bytes. Those with
// AVX2 fold 4·quads channels and leave the rest.

//go:noescape
func fold16f32avx512(dst *float32, up, down *int16, n, channels int, dstStep, step uintptr)

//go:noescape
func fold16f64avx512(dst *float64, up, down *int16, n, channels int, dstStep, step uintptr)

//go:noescape
func fold64f32avx512(dst *float32, up, down *float64, n, channels int, dstStep, step uintptr)

//go:noescape
func fold64f64avx512(dst *float64, up, down *float64, n, channels int, dstStep, step uintptr)

//go:noescape
func fold16f32avx2(dst *float32, up, down *int16, n, quads int, dstStep, step uintptr)

//go:noescape
func fold16f64avx2(dst *float64, up, down *int16, n, quads int, dstStep, step uintptr)

//go:noescape
func fold64f32avx2(dst *float32, up, down *float64, n, quads int, dstStep, step uintptr)

//go:noescape
func fold64f64avx2(dst *float64, up, down *float64, n, quads int, dstStep, step uintptr)

// foldAll is a fold whose assembly takes all channels.
func foldAll[T Real, S int16 | float64](vector func(dst *T, up, down *S, n, channels int, dstStep, step uintptr)) func(dst []T, x []S, f folding) {
	return func(dst []T, x []S, f folding) {
		up, down := ends(dst, x, f)
		vector(&dst[0], up, down, f.n, f.channels, 2*uintptr(f.stride)*unsafe.Sizeof(dst[0]), uintptr(f.channels)*unsafe.Sizeof(x[0]))
	}
}

// foldQuads is a fold whose assembly takes four channels at a time, with the rest
// in Go.
func foldQuads[T Real, S int16 | float64](vector func(dst *T, up, down *S, n, quads int, dstStep, step uintptr)) func(dst []T, x []S, f folding) {
	return func(dst []T, x []S, f folding) {
		up, down := ends(dst, x, f)
		if quads := f.channels / 4; quads > 0 {
			vector(&dst[0], up, down, f.n, quads, 2*uintptr(f.stride)*unsafe.Sizeof(dst[0]), uintptr(f.channels)*unsafe.Sizeof(x[0]))
		}
		if rest := f.channels % 4; rest > 0 {
			foldFrom(dst, x, f, f.channels-rest)
		}
	}
}

// ends checks the bounds and returns the first pair of positions.
func ends[T Real, S int16 | float64](dst []T, x []S, f folding) (up, down *S) {
	_ = dst[((f.n-1)*f.stride+f.channels)*2-1]
	_ = x[(f.up+f.n)*f.channels-1]
	_ = x[(f.down-f.n+1)*f.channels]
	return &x[f.up*f.channels], &x[f.down*f.channels]
}

// The tiles add the products of n positions for some channels and one or two
// groups of rows to the sums; the steps are in bytes.

//go:noescape
func tile12x2f32avx512(sums *complex128, held, table, fold *float32, p *tilePair)

//go:noescape
func tile8x2f32avx512(sums *complex128, held, table, fold *float32, p *tilePair)

// tilePair is what the tiles of two groups have in common.
type tilePair struct {
	n                             int
	foldStep, tableStep, sumsStep uintptr
	keep                          uintptr // a mask; where it is 0 the sums are overwritten instead
	joins, holds                  uintptr // whether to begin with what is held; whether to hold all instead of adding it to the sums
	up, down                      uintptr // n lines of samples to fetch
}

//go:noescape
func tile12f32avx512(sums *complex128, table, fold *float32, n int, foldStep uintptr)

//go:noescape
func tile4f32avx512(sums *complex128, table, fold *float32, n int, foldStep uintptr)

//go:noescape
func tile1f32avx512(sums *complex128, table, fold *float32, n int, foldStep uintptr)

//go:noescape
func tile12f64avx512(sums *complex128, table, fold *float64, n int, foldStep uintptr)

//go:noescape
func tile4f64avx512(sums *complex128, table, fold *float64, n int, foldStep uintptr)

//go:noescape
func tile1f64avx512(sums *complex128, table, fold *float64, n int, foldStep uintptr)

//go:noescape
func tile4f32avx2(sums *complex128, table, fold *float32, n int, foldStep uintptr)

//go:noescape
func tile1f32avx2(sums *complex128, table, fold *float32, n int, foldStep uintptr)

//go:noescape
func tile2f64avx2(sums *complex128, table, fold *float64, n int, foldStep uintptr)

//go:noescape
func tile1f64avx2(sums *complex128, table, fold *float64, n int, foldStep uintptr)

// runs are longer where the positions of one go to several chains.
func runs(channels int) int {
	switch {
	case channels == 1:
		return 8 * chain
	case channels <= 4:
		return 4 * chain
	}
	return run
}

// holds tells whether the sums of a run wait for those of the next.
func (t runPosition) holds() uintptr {
	if t.last || t.i%joined == joined-1 {
		return 0
	}
	return 1
}

// within checks the bounds of what the tiles touch.
func within[T Real](sums []complex128, table, fold []T, n int, g grid) {
	_ = sums[g.groups*g.stride*group-1]
	_ = table[((g.groups-1)*g.padded+n)*2*group-1]
	_ = fold[n*g.stride*2-1]
}

// tile adds the products of n positions, for so many channels and one group of rows,
// to the sums; foldStep is in bytes. It is taken where least channels are left.
type tile[T Real] struct {
	least, channels int
	add             func(sums *complex128, table, fold *T, n int, foldStep uintptr)
}

// sumTiles sums by tiles, of which the widest come first, over at most so many positions
// at a time.
func sumTiles[T Real](positions int, tiles ...tile[T]) func(sums []complex128, held, table, fold []T, n int, g grid, now runPosition) {
	return func(sums []complex128, _, table, fold []T, n int, g grid, now runPosition) {
		within(sums, table, fold, n, g)
		if now.first() {
			clear(sums)
		}
		step := uintptr(g.stride) * 2 * unsafe.Sizeof(fold[0])
		for from := 0; from < n; from += positions {
			some := min(positions, n-from)
			for k := range g.groups {
				s, t := sums[k*g.stride*group:], &table[(k*g.padded+from)*2*group]
				for c := 0; c < g.channels; {
					i := 0
					for g.channels-c < tiles[i].least {
						i++
					}
					tiles[i].add(&s[c*group], t, &fold[(from*g.stride+c)*2], some, step)
					c += tiles[i].channels
				}
			}
		}
	}
}

// sumFewAVX512 calls its tiles directly: the sums of few channels take no longer than
// some calls.
func sumFewAVX512(sums []complex128, table, fold []float32, n int, g grid, now runPosition) {
	within(sums, table, fold, n, g)
	if now.first() {
		clear(sums)
	}
	step := uintptr(g.stride) * 8
	for k := range g.groups {
		s, t := sums[k*g.stride*group:], &table[k*g.padded*2*group]
		for c := 0; c < g.channels; {
			switch left := g.channels - c; {
			case left >= 12:
				tile12f32avx512(&s[c*group], t, &fold[2*c], n, step)
				c += 12
			case left > 1:
				tile4f32avx512(&s[c*group], t, &fold[2*c], n, step)
				c += 4
			default:
				tile1f32avx512(&s[c*group], t, &fold[2*c], n, step)
				c++
			}
		}
	}
}

// sumSingleAVX512 takes two groups at a time, which share what is loaded. A single one
// is left to sumFewAVX512, and so are few channels.
func sumSingleAVX512(sums []complex128, held, table, fold []float32, n int, g grid, now runPosition) {
	if g.channels <= 4 || g.groups == 1 {
		sumFewAVX512(sums, table, fold, n, g, now)
		return
	}
	within(sums, table, fold, n, g)
	_ = held[g.groups*g.stride*2*group-1]
	pairs := g.groups / 2
	pair := tilePair{n: n, foldStep: uintptr(g.stride) * 8, tableStep: uintptr(g.padded) * 8 * group, sumsStep: uintptr(g.stride) * 16 * group,
		joins: uintptr(min(now.i%joined, 1)), holds: now.holds(), up: now.up, down: now.down}
	if now.i >= joined { // there are sums to add to, else they are overwritten
		pair.keep = 0xff
	}
	for k := 0; k < 2*pairs; k += 2 {
		s, h, t := sums[k*g.stride*group:], held[k*g.stride*2*group:], &table[k*g.padded*2*group]
		for c := 0; c < g.channels; {
			if left := g.channels - c; left > 8 && left <= 12 {
				tile12x2f32avx512(&s[c*group], &h[c*2*group], t, &fold[2*c], &pair)
				c += 12
			} else {
				tile8x2f32avx512(&s[c*group], &h[c*2*group], t, &fold[2*c], &pair)
				c += 8
			}
		}
	}
	if g.groups -= 2 * pairs; g.groups > 0 {
		sumFewAVX512(sums[2*pairs*g.stride*group:], table[2*pairs*g.padded*2*group:], fold, n, g, now)
	}
}
