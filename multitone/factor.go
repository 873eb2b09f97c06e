package multitone

import (
	"errors"
	"slices"

	"tonepose/multitone/internal/kernel"
)

// factor is the matrix of a part of the leading columns as UᵀU. The tones come after all that is fitted
// beside them, and their neighbour bins last: so the factor without these begins the other, and
// what is asked for of the inverse begins where little is left of the elimination.
type factor struct {
	columns int
	present []int // of these, those with a part of their own, as they are eliminated
	u       *kernel.Basis
	shelf   *shelf
}

var errSame = errors.New("two of them are the same")

func (t *system) factor(part, columns int) (*factor, error) {
	f := &factor{columns: columns}
	plain := min(t.plain, columns)
	for _, of := range [][2]int{{t.tones, plain}, {0, t.tones}, {plain, columns}} {
		for i := of[0]; i < of[1]; i++ {
			if t.shape.present(part, t.omega[i]) {
				f.present = append(f.present, i)
			}
		}
	}
	n := len(f.present)
	f.shelf = t.shelf
	f.u = kernel.NewBasisIn(t.shelf.take(kernel.BasisSize(n, n)), n, n)
	g, width := t.g[part].RawSymmetric().Data, len(t.omega)
	for i, p := range f.present {
		row := f.u.Row(i)
		for j, q := range f.present[i:] {
			row[i+j] = g[min(p, q)*width+max(p, q)]
		}
	}
	if !f.u.Eliminate(n) {
		return nil, errSame
	}
	return f, nil
}

// lead is the factor of a part, of all columns; where these cannot be told apart, of those before the
// neighbour bins.
func (t *system) lead(part int) (f *factor, err error) {
	if t.whole[part] == nil {
		if t.whole[part], err = t.factor(part, len(t.omega)); err != nil {
			t.whole[part], err = t.factor(part, t.plain)
		}
	}
	return t.whole[part], err
}

// inverse gives rows of a part's inverse over all columns: those of the tones, in the plain fit, and for the
// tones' bends the sums in the fit with neighbour bins; nil where that is none.
func (t *system) inverse(part int) (tones, bends []float64, err error) {
	n := len(t.omega)
	if t.rows[part] == nil {
		f, err := t.lead(part)
		if err != nil {
			return nil, nil, err
		}
		sums, leading := each(t.tones), slices.Repeat([]int{t.plain}, t.tones)
		if f.columns == n {
			for _, b := range t.bends() {
				sums, leading = append(sums, b.sum()), append(leading, n)
			}
		}
		t.rows[part] = f.rows(n, sums, leading)
	}
	tones, bends = t.rows[part][:t.tones*n], t.rows[part][t.tones*n:]
	if t.whole[part].columns < n {
		bends = nil
	}
	return tones, bends, nil
}

// beside is the factor of the columns behind the tones, with which it begins.
func (f *factor) beside(tones int) *factor {
	n := slices.IndexFunc(f.present, func(p int) bool { return p < tones })
	if n < 0 {
		n = len(f.present)
	}
	return &factor{columns: f.columns, present: f.present[:n], u: f.u, shelf: f.shelf}
}

// rows gives sums of rows of the inverse of the matrix of so many leading columns each, with zeros for
// columns without a part of their own and for those further on.
func (f *factor) rows(width int, sums [][]int, leading []int) []float64 {
	return f.solve(width, len(sums), func(p, k int) float64 {
		if slices.Contains(sums[k], p) {
			return 1
		}
		return 0
	}, leading)
}

// solve gives the inverse times columns of a matrix whose rows are those of the system, each of a width; leading as in
// rows, nil: of all.
func (f *factor) solve(width, columns int, right func(p, k int) float64, leading []int) []float64 {
	n := len(f.present)
	out := make([]float64, columns*width)
	if n == 0 || columns == 0 {
		return out
	}
	x := kernel.NewBasisIn(f.shelf.take(kernel.BasisSize(n, columns)), n, columns)
	defer f.shelf.give(x.Memory())
	from := n
	for i, p := range f.present {
		for k := range columns {
			v := right(p, k)
			if x.Row(i)[k] = v; v != 0 {
				from = min(from, i)
			}
		}
	}
	f.u.Forward(x, n, from)
	for k, of := range leading {
		for i, p := range f.present {
			if p >= of {
				x.Row(i)[k] = 0
			}
		}
	}
	f.u.Back(x, n)
	for i, p := range f.present {
		for k, v := range x.Row(i)[:columns] {
			out[k*width+p] = v
		}
	}
	return out
}
