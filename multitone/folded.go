package multitone

import (
	"math"

	"gonum.org/v1/gonum/blas"
	"gonum.org/v1/gonum/blas/blas64"
	"gonum.org/v1/gonum/mat"

	"tonepose/multitone/internal/kernel"
)

// folded fits cosines and sines about a piece's middle to all of its samples: those on
// both sides of the middle are added for the cosines and subtracted for the sines, and
// half the products remain. Neither tells anything of the other.
type folded struct {
	parts [2]symmetric // cosines, sines
}

// symmetric is one of both.
type symmetric struct {
	basis  *kernel.Basis // columns × places from the middle outwards
	factor mat.TriDense
	sound  bool      // the columns are independent
	x, a   []float64 // by place, by column; as long as the basis
}

// newFolded takes the basis of a piece, a cosine first and then cosines and sines in
// turn, and the products of its columns.
func newFolded(basis *mat.Dense, gram mat.Symmetric) (f folded) {
	columns, length := basis.Dims()
	half := (length + 1) / 2
	for k := range f.parts {
		var list []int
		for c := range columns {
			if (c == 0 || c%2 == 1) == (k == 0) {
				list = append(list, c)
			}
		}
		if len(list) == 0 {
			continue
		}
		p := &f.parts[k]
		p.basis = kernel.NewBasis(len(list), half)
		products := mat.NewSymDense(len(list), nil)
		for i, c := range list {
			copy(p.basis.Row(i), basis.RawRowView(c)[length-half:])
			for j := i; j < len(list); j++ {
				products.SetSym(i, j, gram.At(c, list[j]))
			}
		}
		var chol mat.Cholesky
		if p.sound = chol.Factorize(products); p.sound {
			chol.UTo(&p.factor)
		}
		p.x, p.a = make([]float64, p.basis.Places()), make([]float64, p.basis.Rows())
	}
	return f
}

// fit replaces the samples of a piece by their fit. It reports false where there is none.
func (f *folded) fit(x []float64) bool {
	up, down := x[len(x)/2:], x[:(len(x)+1)/2]
	cosines, sines := &f.parts[0], &f.parts[1]
	for i, a := range up {
		b := down[len(down)-1-i]
		cosines.x[i] = a + b
		if sines.x != nil {
			sines.x[i] = a - b
		}
	}
	if len(x)%2 == 1 {
		cosines.x[0] = up[0] // the middle sample is on neither side
	}
	if !cosines.fit() || sines.x != nil && !sines.fit() {
		return false
	}
	for i, even := range cosines.x[:len(up)] {
		odd := 0.0
		if sines.x != nil {
			odd = sines.x[i]
		}
		up[i], down[len(down)-1-i] = even+odd, even-odd
	}
	return true
}

// fit replaces x by its fit.
func (p *symmetric) fit() bool {
	if !p.sound {
		return false
	}
	factor := p.factor.RawTriangular()
	a := blas64.Vector{N: factor.N, Data: p.a, Inc: 1}
	p.basis.Project(p.a, p.x)
	blas64.Trsv(blas.Trans, factor, a)
	blas64.Trsv(blas.NoTrans, factor, a)
	p.basis.Combine(p.x, p.a)
	return true
}

// Buckets of a median: so many to a factor of two, from the greatest number downwards.
const (
	bucketShift = 52 - 7
	buckets     = 1024
)

// median finds medians of positive numbers, in memory of its own.
type median struct{ own []float64 }

// largest is the greatest of positive numbers, NaN where one is: their order is that of
// their bits.
func largest(x []float64) float64 {
	var most [4]uint64 // four that do not wait for each other
	i := 0
	for ; i+4 <= len(x); i += 4 {
		for k, v := range x[i : i+4 : i+4] {
			most[k] = max(most[k], math.Float64bits(v))
		}
	}
	for _, v := range x[i:] {
		most[0] = max(most[0], math.Float64bits(v))
	}
	return math.Float64frombits(max(most[0], most[1], most[2], most[3]))
}

// of is the number that would stand at len(x)/2 if x, of positive numbers of which the
// greatest is given, were sorted. It counts how many numbers lie in each of many buckets,
// and looks for it only in its own.
func (m *median) of(x []float64, greatest float64) float64 {
	m.own = m.own[:0]
	if math.IsNaN(greatest) || len(x) < buckets/8 {
		m.own = append(m.own, x...)
		return nth(m.own, len(x)/2)
	}
	top := math.Float64bits(greatest) >> bucketShift
	bucket := func(v float64) uint64 { return min(top-math.Float64bits(v)>>bucketShift, buckets-1) }
	var count [buckets]uint32
	for _, v := range x {
		count[bucket(v)]++
	}
	at := uint32(len(x) - 1 - len(x)/2) // numbers that are greater
	own := uint64(0)
	for ; at >= count[own]; own++ {
		at -= count[own]
	}
	for _, v := range x {
		if bucket(v) == own {
			m.own = append(m.own, v)
		}
	}
	return nth(m.own, len(m.own)-1-int(at))
}

// nth is the number that would stand at a place if x were sorted; x changes its order
// (Hoare, Algorithm 65: Find, Comm. ACM 4(7), 1961).
func nth(x []float64, at int) float64 {
	for lo, hi := 0, len(x)-1; lo < hi; {
		pivot := x[at]
		i, j := lo, hi
		for i <= j {
			for x[i] < pivot {
				i++
			}
			for x[j] > pivot {
				j--
			}
			if i <= j {
				x[i], x[j] = x[j], x[i]
				i++
				j--
			}
		}
		if j < at {
			lo = i
		}
		if i > at {
			hi = j
		}
	}
	return x[at]
}
