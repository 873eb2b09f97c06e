package kernel

import (
	"unsafe"

	"tonepose/fieldmodels/variant"
)

// The loops that new Rows take.
var (
	singles = loops[float32]{usual, foldGo[float32, int16], foldGo[float32, float64], sumGo[float32]}
	doubles = loops[float64]{usual, foldGo[float64, int16], foldGo[float64, float64], sumGo[float64]}

	singlesKernel = variant.New("multitone.Rows[float32]", &singles)
	doublesKernel = variant.New("multitone.Rows[float64]", &doubles)
)

func fastest[T Real]() loops[T] {
	var l loops[T]
	switch l := any(&l).(type) {
	case *loops[float32]:
		*l = singles
	case *loops[float64]:
		*l = doubles
	}
	return l
}

// foldGo writes x(u) + x(−u) and x(u) − x(−u), place by place, channel by
// channel.
func foldGo[T Real, S int16 | float64](dst []T, x []S, f folding) { foldFrom(dst, x, f, 0) }

// foldFrom folds the channels from first on.
func foldFrom[T Real, S int16 | float64](dst []T, x []S, f folding, first int) {
	for i := range f.n {
		up := x[(f.up+i)*f.channels+first : (f.up+i+1)*f.channels]
		down := x[(f.down-i)*f.channels+first:][:len(up)]
		d := dst[(i*f.stride+first)*2:][:2*len(up)]
		for c, a := range up {
			// in float64, where the sum of two counts is exact
			a, b := float64(a), float64(down[c])
			d[2*c], d[2*c+1] = T(a+b), T(a-b)
		}
	}
}

// sumGo adds to sums[g][c][r] the products of table[g][i][r] and fold[i][c]
// over n places i, even and odd parts each with their own.
func sumGo[T Real](sums []complex128, _, table, fold []T, n int, g grid, now turn) {
	if now.first() {
		clear(sums)
	}
	pairs := unsafe.Slice((*[2]T)(unsafe.Pointer(&fold[0])), len(fold)/2)
	for from := 0; from < n; from += chain {
		places := min(chain, n-from)
		for k := range g.groups {
			at := (k*g.padded + from) * 2 * group
			rows := unsafe.Slice((*[2 * group]T)(unsafe.Pointer(&table[at : at+places*2*group][0])), places)
			for c := range g.channels {
				s := (*[group]complex128)(sums[(k*g.stride+c)*group:])
				four((*[4]complex128)(s[:4]), rows, false, pairs[from*g.stride+c:], g.stride)
				four((*[4]complex128)(s[4:]), rows, true, pairs[from*g.stride+c:], g.stride)
			}
		}
	}
}

// four adds to the sums of a channel's first four rows, or of its last. A channel's pairs
// are stride apart; an index into them is all that is checked at a place.
func four[T Real](s *[4]complex128, rows [][2 * group]T, last bool, pairs [][2]T, stride int) {
	var e0, e1, e2, e3, o0, o1, o2, o3 T
	at := 0
	for i := range rows {
		t := (*[group]T)(rows[i][:group])
		if last {
			t = (*[group]T)(rows[i][group:])
		}
		f := &pairs[at]
		even, odd := f[0], f[1]
		at += stride
		e0 += even * t[0]
		o0 += odd * t[1]
		e1 += even * t[2]
		o1 += odd * t[3]
		e2 += even * t[4]
		o2 += odd * t[5]
		e3 += even * t[6]
		o3 += odd * t[7]
	}
	s[0] += complex(float64(e0), float64(o0))
	s[1] += complex(float64(e1), float64(o1))
	s[2] += complex(float64(e2), float64(o2))
	s[3] += complex(float64(e3), float64(o3))
}
