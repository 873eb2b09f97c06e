//go:build !purego

package kernel

import (
	"unsafe"

	"tonepose/fieldmodels/variant"
)

func init() {
	singlesKernel.Add(variant.AVX2, loops[float32]{chains, folds(4, fold16f32AVX2, foldLine16f32AVX2), folds(4, fold64f32AVX2, foldLine64f32AVX2),
		sumGroups(joined*chain, true, tile[float32]{6, 5, tile6f32AVX2}, tile[float32]{4, 3, tile4f32AVX2},
			tile[float32]{2, 2, tile2f32AVX2}, tile[float32]{1, 1, tile1f32AVX2})})
	doublesKernel.Add(variant.AVX2, loops[float64]{usual, folds(4, fold16f64AVX2, foldLine16f64AVX2), folds(4, fold64f64AVX2, foldLine64f64AVX2),
		sumGroups(run, true, tile[float64]{2, 2, tile2f64AVX2}, tile[float64]{1, 1, tile1f64AVX2})})
	singlesKernel.Add(variant.AVX512, loops[float32]{runs, folds(1, fold16f32AVX512, nil), folds(1, fold64f32AVX512, nil), sumPairs})
	doublesKernel.Add(variant.AVX512, loops[float64]{usual, folds(1, fold16f64AVX512, nil), folds(1, fold64f64AVX512, nil),
		sumGroups(run, false, tile[float64]{12, 12, tile12f64AVX512}, tile[float64]{4, 2, tile4f64AVX512}, tile[float64]{1, 1, tile1f64AVX512})})
}

// The loops in assembly fold n places; a place of the channels' sums and
// differences is dstStep bytes on, one of the samples step bytes. Those with
// AVX2 fold 4·quads channels and leave the rest.

//go:noescape
func fold16f32AVX512(dst *float32, up, down *int16, n, channels int, dstStep, step uintptr)

//go:noescape
func fold16f64AVX512(dst *float64, up, down *int16, n, channels int, dstStep, step uintptr)

//go:noescape
func fold64f32AVX512(dst *float32, up, down *float64, n, channels int, dstStep, step uintptr)

//go:noescape
func fold64f64AVX512(dst *float64, up, down *float64, n, channels int, dstStep, step uintptr)

//go:noescape
func fold16f32AVX2(dst *float32, up, down *int16, n, quads int, dstStep, step uintptr)

//go:noescape
func fold16f64AVX2(dst *float64, up, down *int16, n, quads int, dstStep, step uintptr)

//go:noescape
func fold64f32AVX2(dst *float32, up, down *float64, n, quads int, dstStep, step uintptr)

//go:noescape
func fold64f64AVX2(dst *float64, up, down *float64, n, quads int, dstStep, step uintptr)

// Those of one channel fold 4·quads places of it.

//go:noescape
func foldLine16f32AVX2(dst *float32, up, down *int16, quads int)

//go:noescape
func foldLine16f64AVX2(dst *float64, up, down *int16, quads int)

//go:noescape
func foldLine64f32AVX2(dst *float32, up, down *float64, quads int)

//go:noescape
func foldLine64f64AVX2(dst *float64, up, down *float64, quads int)

// folds is a fold whose assembly takes whole sets of so many channels, with the rest
// in Go. Unless line is nil, it takes four places of one channel at a time.
func folds[T Real, S int16 | float64](set int, vector func(dst *T, up, down *S, n, sets int, dstStep, step uintptr), line func(dst *T, up, down *S, quads int)) func(dst []T, x []S, f folding) {
	return func(dst []T, x []S, f folding) {
		up, down := ends(dst, x, f)
		if quads := f.n / 4; f.channels == 1 && line != nil && quads > 0 {
			line(&dst[0], up, down, quads)
			done := 4 * quads
			foldFrom(dst[2*done:], x, folding{f.up + done, f.down - done, f.n - done, 1, f.stride}, 0)
			return
		}
		if sets := f.channels / set; sets > 0 {
			vector(&dst[0], up, down, f.n, sets, 2*uintptr(f.stride)*unsafe.Sizeof(dst[0]), uintptr(f.channels)*unsafe.Sizeof(x[0]))
		}
		if rest := f.channels % set; rest > 0 {
			foldFrom(dst, x, f, f.channels-rest)
		}
	}
}

// ends checks the bounds and returns the first pair of places.
func ends[T Real, S int16 | float64](dst []T, x []S, f folding) (up, down *S) {
	_ = dst[((f.n-1)*f.stride+f.channels)*2-1]
	_ = x[(f.up+f.n)*f.channels-1]
	_ = x[(f.down-f.n+1)*f.channels]
	return &x[f.up*f.channels], &x[f.down*f.channels]
}

// The tiles add the products of n places for some channels and one or two
// groups of rows to the sums; the steps are in bytes. Where keep, a mask, is 0, the
// sums are overwritten instead; those with AVX2 add whatever keep is.

//go:noescape
func tile12x2f32AVX512(sums *complex128, held, table, fold *float32, p *tilePair)

//go:noescape
func tile8x2f32AVX512(sums *complex128, held, table, fold *float32, p *tilePair)

// tilePair is what the tiles of two groups have in common.
type tilePair struct {
	n                             int
	foldStep, tableStep, sumsStep uintptr
	keep                          uintptr
	joins, holds                  uintptr // whether to begin with what is held; whether to hold all instead of adding it to the sums
	up, down                      uintptr // n lines of samples to fetch
}

//go:noescape
func tile12f32AVX512(sums *complex128, table, fold *float32, n int, foldStep, keep uintptr)

//go:noescape
func tile4f32AVX512(sums *complex128, table, fold *float32, n int, foldStep, keep uintptr)

//go:noescape
func tile1f32AVX512(sums *complex128, table, fold *float32, n int, foldStep, keep uintptr)

//go:noescape
func tile12f64AVX512(sums *complex128, table, fold *float64, n int, foldStep, keep uintptr)

//go:noescape
func tile4f64AVX512(sums *complex128, table, fold *float64, n int, foldStep, keep uintptr)

//go:noescape
func tile1f64AVX512(sums *complex128, table, fold *float64, n int, foldStep, keep uintptr)

//go:noescape
func tile6f32AVX2(sums *complex128, table, fold *float32, n int, foldStep, keep uintptr)

//go:noescape
func tile2f32AVX2(sums *complex128, table, fold *float32, n int, foldStep, keep uintptr)

//go:noescape
func tile4f32AVX2(sums *complex128, table, fold *float32, n int, foldStep, keep uintptr)

//go:noescape
func tile1f32AVX2(sums *complex128, table, fold *float32, n int, foldStep, keep uintptr)

//go:noescape
func tile2f64AVX2(sums *complex128, table, fold *float64, n int, foldStep, keep uintptr)

//go:noescape
func tile1f64AVX2(sums *complex128, table, fold *float64, n int, foldStep, keep uintptr)

// runs are longer where the places of one go to several chains.
func runs(channels int) int {
	switch {
	case channels == 1:
		return 8 * chain
	case channels <= 4:
		return 4 * chain
	}
	return run
}

// chains are four where their places of all channels fit into a cache.
func chains(channels int) int {
	if channels <= 12 {
		return joined * chain
	}
	return run
}

// holds tells whether the sums of a run wait for those of the next.
func (t turn) holds() uintptr {
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

// keeping is the mask for sums to add to, or else to overwrite.
func keeping(first bool) uintptr {
	if first {
		return 0
	}
	return 0xff
}

// tile is a loop for some channels of one group of rows.
type tile[T Real] struct {
	channels, least int // that it takes; that must be left for it
	sum             func(sums *complex128, table, fold *T, n int, foldStep, keep uintptr)
}

// sumTiles sums over n places the channels from first on of one group of rows, each
// time with the first tile that enough are left for.
func sumTiles[T Real](tiles []tile[T], sums []complex128, table *T, fold []T, first, n int, g grid, keep uintptr) {
	for c := first; c < g.channels; {
		i := 0
		for g.channels-c < tiles[i].least {
			i++
		}
		tiles[i].sum(&sums[c*group], table, &fold[2*c], n, 2*uintptr(g.stride)*unsafe.Sizeof(*table), keep)
		c += tiles[i].channels
	}
}

// sumGroups sums group by group over at most so many places in one go, by tiles which
// may only add.
func sumGroups[T Real](most int, add bool, tiles ...tile[T]) func(sums []complex128, held, table, fold []T, n int, g grid, now turn) {
	return func(sums []complex128, _, table, fold []T, n int, g grid, now turn) {
		within(sums, table, fold, n, g)
		if add && now.first() {
			clear(sums)
		}
		for from := 0; from < n; from += most {
			for k := range g.groups {
				sumTiles(tiles, sums[k*g.stride*group:], &table[(k*g.padded+from)*2*group], fold[from*g.stride*2:], 0, min(most, n-from), g, keeping(now.first()))
			}
		}
	}
}

var groupTiles = []tile[float32]{{12, 12, tile12f32AVX512}, {4, 2, tile4f32AVX512}, {1, 1, tile1f32AVX512}}

// sumPairs sums two groups at a time, which share what is loaded.
func sumPairs(sums []complex128, held, table, fold []float32, n int, g grid, now turn) {
	within(sums, table, fold, n, g)
	_ = held[g.groups*g.stride*2*group-1]
	keep := keeping(now.first())
	pair := tilePair{n: n, foldStep: uintptr(g.stride) * 8, tableStep: uintptr(g.padded) * 8 * group, sumsStep: uintptr(g.stride) * 16 * group,
		keep: keeping(now.i < joined), joins: uintptr(min(now.i%joined, 1)), holds: now.holds(), up: now.up, down: now.down}
	for k := 0; k < g.groups; k += 2 {
		c := 0
		s, h, t := sums[k*g.stride*group:], held[k*g.stride*2*group:], table[k*g.padded*2*group:]
		if k+1 < g.groups {
			for left := g.channels; left > 4; left = g.channels - c {
				if left > 8 && left <= 12 {
					tile12x2f32AVX512(&s[c*group], &h[c*2*group], &t[0], &fold[2*c], &pair)
					c += 12
				} else {
					tile8x2f32AVX512(&s[c*group], &h[c*2*group], &t[0], &fold[2*c], &pair)
					c += 8
				}
			}
			sumTiles(groupTiles, s[g.stride*group:], &t[g.padded*2*group], fold, c, n, g, keep)
		}
		sumTiles(groupTiles, s, &t[0], fold, c, n, g, keep)
	}
}

func init() {
	halvesKernel.Add(variant.AVX2, func(dst, first, last []complex128, scale []float64) {
		halvesAVX2(&dst[0], &first[0], &last[0], &scale[0], len(scale))
	})
}

//go:noescape
func halvesAVX2(dst, first, last *complex128, scale *float64, channels int)
