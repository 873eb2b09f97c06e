package multitone

import (
	"fmt"

	"gonum.org/v1/gonum/mat"

	"tonepose/multitone/internal/kernel"
)

// curved are linear functions of a channel's projections where tones follow a course:
// cosines and sines meet then, and each function i is Σ own_ij·y_j + image_ij·y̅_j.
type curved struct {
	columns    int
	own, image []complex128 // row by row
}

func (c *curved) of(i int, y []complex128) (sum complex128) {
	own, image := c.own[i*c.columns:(i+1)*c.columns], c.image[i*c.columns:(i+1)*c.columns]
	for j, v := range y[:c.columns] {
		sum += own[j]*v + image[j]*complex(real(v), -imag(v))
	}
	return sum
}

// newCurved prepares the joint fit of a window in which the tones follow their
// courses. The samples are Σ Re{X_j·s_j(u)}, and were projected on d_i(u); of both,
// tone by tone and chunk by chunk, the phase is that of the course, but the frequency
// of s_j is the course's and that of d_i the tables'. The projections are then
//
//	y_i = ½·Σ_j (A_ij·X_j + B_ij·X̅_j),  A_ij = Σ_u w·d̅_i·s_j,  B_ij = Σ_u w·d̅_i·s̅_j,
//
// a real system of twice the size, solved for the amplitudes. Its weights differ
// from those of least squares by what a frequency drifts within a chunk, and are
// without bias.
//
// Columns that follow no course are those of the straight fit, whose factor is at hand; they are
// eliminated, and what is left is a system of the tones and their neighbour bins alone.
func newCurved(c *Config, a *analysis, b *bows) (estimator, bent *curved, err error) {
	r, err := newReduced(a, newGram(c, a, b))
	if err != nil {
		return nil, nil, err
	}
	tones := len(c.Tones)
	wanted := mat.NewDense(r.size, 2*(tones+len(a.bends)), nil)
	if err := r.solve(wanted.Slice(0, r.size, 0, 2*tones).(*mat.Dense), 2*tones, each(tones)); err != nil {
		return nil, nil, err
	}
	if len(a.bends) > 0 {
		sums := make([][]int, len(a.bends))
		for i, k := range a.bends {
			for j, column := range r.follow {
				if column == k.tone || column == k.sides[0] || column == k.sides[1] {
					sums[i] = append(sums[i], j)
				}
			}
		}
		bends := wanted.Slice(0, r.size, 2*tones, 2*(tones+len(a.bends))).(*mat.Dense)
		if err := r.solve(bends, r.size, sums); err != nil {
			return nil, nil, err
		}
		for i, k := range a.bends {
			for row := range 2 * tones {
				for part := range 2 {
					bends.Set(row, 2*i+part, bends.At(row, 2*i+part)-wanted.At(row, 2*k.tone+part))
				}
			}
		}
	}
	all := r.functions(wanted)
	estimator = &curved{all.columns, all.own[:tones*all.columns], all.image[:tones*all.columns]}
	bent = &curved{all.columns, all.own[tones*all.columns:], all.image[tones*all.columns:]}
	return estimator, bent, nil
}

// reduced is the system of the columns that follow courses, real and imaginary part of each in turn, less what
// the others take of it.
type reduced struct {
	a      *analysis
	follow []int // the columns: the tones, then their neighbour bins
	size   int
	fixed  [2]*factor       // of the other columns
	behind [2]*kernel.Basis // what they have of the tests of these, U⁻ᵀ times it
	s      *mat.Dense
}

func newReduced(a *analysis, g *gram) (*reduced, error) {
	r := &reduced{a: a, follow: g.follow, size: 2 * len(g.follow)}
	r.s = mat.NewDense(r.size, r.size, nil)
	for i, p := range r.follow {
		for j, q := range r.follow {
			own, image := g.at(p, q)
			scale := 0.5
			if p == q {
				scale *= 1 + a.system.extra(p)
			}
			r.s.Set(2*i, 2*j, scale*(real(own)+real(image)))
			r.s.Set(2*i, 2*j+1, scale*(imag(image)-imag(own)))
			r.s.Set(2*i+1, 2*j, scale*(imag(own)+imag(image)))
			r.s.Set(2*i+1, 2*j+1, scale*(real(own)-real(image)))
		}
	}
	for part := range 2 {
		f, err := a.system.lead(part)
		if err != nil {
			return nil, err
		}
		f = f.beside(a.system.tones)
		n := len(f.present)
		tests, signals := kernel.NewBasis(n, r.size), kernel.NewBasis(n, r.size)
		for i, p := range f.present {
			test, signal := tests.Row(i), signals.Row(i)
			for j, q := range r.follow {
				// The signal of a tone, as a fixed column's cosine or sine sees it, …
				own, image := g.at(p, q)
				// … and what a tone's test sees of the cosine or the sine.
				back, turned := g.at(q, p)
				if part == 0 {
					signal[2*j], signal[2*j+1] = (real(own)+real(image))/2, (imag(image)-imag(own))/2
					test[2*j], test[2*j+1] = (real(back)+real(turned))/2, (imag(back)+imag(turned))/2
				} else {
					signal[2*j], signal[2*j+1] = (imag(own)+imag(image))/2, (real(own)-real(image))/2
					test[2*j], test[2*j+1] = (imag(turned)-imag(back))/2, (real(back)-real(turned))/2
				}
			}
		}
		r.fixed[part], r.behind[part] = f, tests
		if n == 0 {
			continue
		}
		f.u.Forward(tests, n, 0)
		f.u.Forward(signals, n, 0)
		by, sum := make([]float64, signals.Rows()), make([]float64, signals.Places())
		for i := range r.size {
			for k := range n {
				by[k] = tests.Row(k)[i]
			}
			signals.Combine(sum, by)
			row := r.s.RawRowView(i)
			for j := range row {
				row[j] -= sum[j]
			}
		}
	}
	return r, nil
}

// solve writes, column by column, the rows of the leading part's inverse that are sums of those of columns,
// of real and imaginary parts in turn.
func (r *reduced) solve(to *mat.Dense, leading int, sums [][]int) error {
	want := mat.NewDense(leading, 2*len(sums), nil)
	for i, sum := range sums {
		for _, k := range sum {
			want.Set(2*k, 2*i, 1)
			want.Set(2*k+1, 2*i+1, 1)
		}
	}
	var lu mat.LU
	lu.Factorize(r.s.Slice(0, leading, 0, leading))
	if err := lu.SolveTo(want, true, want); err != nil {
		return fmt.Errorf("multitone: a window of %d samples does not separate the tones and lines in it, %w: lengthen it, or put them further apart", r.a.shape.length, err)
	}
	to.Copy(want)
	return nil
}

// functions are those of all projections of which the columns of wanted are the part of these columns:
// the others' is what they have of the tests, the other way round.
func (r *reduced) functions(wanted *mat.Dense) *curved {
	_, count := wanted.Dims()
	n := len(r.a.omega)
	c := &curved{columns: n, own: make([]complex128, count/2*n), image: make([]complex128, count/2*n)}
	by := kernel.NewBasis(r.size, count)
	for i := range r.size {
		copy(by.Row(i), wanted.RawRowView(i))
	}
	for j, p := range r.follow {
		re, im := by.Row(2*j), by.Row(2*j+1)
		for i := range count / 2 {
			c.add(i, p, re[2*i], im[2*i], re[2*i+1], im[2*i+1])
		}
	}
	for part, f := range r.fixed {
		if len(f.present) == 0 {
			continue
		}
		x := kernel.NewBasis(len(f.present), count)
		for i := range f.present {
			by.Combine(x.Row(i), r.behind[part].Row(i)[:by.Rows()])
		}
		f.u.Back(x, len(f.present))
		for i, p := range f.present {
			row := x.Row(i)
			for k := range count / 2 {
				if re, im := -row[2*k], -row[2*k+1]; part == 0 {
					c.add(k, p, re, 0, im, 0)
				} else {
					c.add(k, p, 0, re, 0, im)
				}
			}
		}
	}
	return c
}

// add adds what a function has of one column's projection y. With
// Re X = Σ a·Re y + b·Im y and Im X = Σ c·Re y + d·Im y it is
// X = ½·Σ ((a + d) + j(c − b))·y + ((a − d) + j(c + b))·y̅.
func (f *curved) add(i, column int, a, b, c, d float64) {
	f.own[i*f.columns+column] += complex(a+d, c-b) / 2
	f.image[i*f.columns+column] += complex(a-d, c+b) / 2
}
