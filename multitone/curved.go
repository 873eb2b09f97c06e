package multitone

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"
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
func newCurved(c *Config, a *analysis, b *bows) (estimator, bent *curved, err error) {
	g := newGram(c, a, b)
	tones := len(c.Tones)
	plain, err := g.solve(a.estimator.columns, tones)
	if err != nil {
		return nil, nil, err
	}
	estimator = plain.pick(tones, func(k int) ([]int, int) { return []int{k}, -1 }, nil)
	if len(a.bends) == 0 {
		return estimator, nil, nil
	}
	full, err := g.solve(len(a.omega), len(a.omega))
	if err != nil {
		return nil, nil, err
	}
	bent = full.pick(len(a.bends), func(i int) ([]int, int) {
		k := a.bends[i]
		return []int{k.tone, k.sides[0], k.sides[1]}, k.tone
	}, plain)
	return estimator, bent, nil
}

// gram holds A and B of one window, columns × columns.
type gram struct {
	a           *analysis
	own, image  []complex128
	tones, size int
}

// ray is one column in one chunk: its phase at the middle, and half a turn of its
// frequency over the chunk and over a sample.
type ray struct {
	omega               float64
	phase, wide, narrow complex128
}

func (r *ray) set(omega, turns float64, length int) {
	r.omega = omega
	r.phase = unit(cycles(turns))
	r.wide, r.narrow = unit(cycles(omega*float64(length)/(4*math.Pi))), unit(omega/(4*math.Pi))
}

func newGram(c *Config, a *analysis, b *bows) *gram {
	n, tones := len(a.omega), len(c.Tones)
	g := &gram{a: a, own: make([]complex128, n*n), image: make([]complex128, n*n), tones: tones, size: n}
	tables, signal := make([]ray, n), make([]ray, n)
	for i, piece := range b.pieces {
		u, length := piece.u, piece.length
		t := (b.middle + u) / c.SampleRate
		for j, omega := range a.omega {
			turns, k := omega*u/(2*math.Pi), a.tones[j]
			if k == fixed {
				tables[j].set(omega, turns, length)
				signal[j] = tables[j]
				continue
			}
			off := 0.0
			if len(b.off) > 0 {
				off = c.omega(b.off[i*tones+k])
			}
			tables[j].set(omega+off, turns+b.cycles[i*tones+k], length)
			signal[j].set(omega+c.omega(c.Course.HzAt(k, t)-b.tones[k].Hz), turns+b.mean(c, k, u, length), length)
		}
		for _, part := range a.shape.parts(u) {
			g.add(tables, signal, part, length)
		}
	}
	return g
}

// part is one exponential of a window's weights about the middle of a chunk.
type part struct {
	size  complex128
	omega float64
}

// parts are the exponentials that a shape is made of, about a point u.
func (s shape) parts(u float64) []part {
	list := []part{{complex(s.cosine[0], 0), 0}}
	for j, a := range s.cosine[1:] {
		w := float64(j+1) * s.spacing()
		turn := unit(cycles(w * u / (2 * math.Pi)))
		list = append(list, part{complex(a/2, 0) * turn, w}, part{complex(a/2, 0) / turn, -w})
	}
	return list
}

// add adds a chunk's sums: Σ_v exp(jΔv) over its samples v about its middle is
// sin(Δ·length/2)/sin(Δ/2), whose sines come from products of the columns' rays.
func (g *gram) add(tables, signal []ray, p part, length int) {
	wide, narrow := unit(cycles(p.omega*float64(length)/(4*math.Pi))), unit(p.omega/(4*math.Pi))
	over := func(wide, narrow complex128, omega float64) complex128 {
		if d := imag(narrow); math.Abs(d) > 1e-6 {
			return complex(imag(wide)/d, 0)
		}
		return complex(dirichlet(omega, length), 0)
	}
	for i := range tables {
		d := &tables[i]
		back := complex(real(d.phase), -imag(d.phase)) * p.size
		w, m := wide*complex(real(d.wide), -imag(d.wide)), narrow*complex(real(d.narrow), -imag(d.narrow))
		own, image := g.own[i*g.size:(i+1)*g.size], g.image[i*g.size:(i+1)*g.size]
		for j := range signal {
			s := &signal[j]
			own[j] += back * s.phase * over(w*s.wide, m*s.narrow, p.omega+s.omega-d.omega)
			conj := complex(real(s.phase), -imag(s.phase))
			image[j] += back * conj * over(w*complex(real(s.wide), -imag(s.wide)), m*complex(real(s.narrow), -imag(s.narrow)), p.omega-s.omega-d.omega)
		}
	}
}

// solution holds rows of the inverse of a gram's leading columns: of the real and
// imaginary parts of the first amplitudes in terms of those of the projections.
type solution struct {
	columns int
	rows    *mat.Dense // (real and imaginary parts present) × (2 · wanted)
	place   [2][]int   // of each column's real and imaginary part among those present; −1: absent
}

// solve prepares the first wanted of the leading n columns' amplitudes.
func (g *gram) solve(n, wanted int) (*solution, error) {
	s := &solution{columns: n}
	size := 0
	for part := range s.place {
		for _, w := range g.a.omega[:n] {
			if !g.a.shape.present(part, w) {
				s.place[part] = append(s.place[part], -1)
				continue
			}
			s.place[part] = append(s.place[part], size)
			size++
		}
	}
	m := mat.NewDense(size, size, nil)
	set := func(row, column int, v float64) {
		if row >= 0 && column >= 0 {
			m.Set(row, column, v/2)
		}
	}
	for i := range n {
		for j := range n {
			own, image := g.own[i*g.size+j], g.image[i*g.size+j]
			scale := 1.0
			if i == j && i >= g.tones {
				scale += ridge
			}
			set(s.place[0][i], s.place[0][j], scale*(real(own)+real(image)))
			set(s.place[0][i], s.place[1][j], imag(image)-imag(own))
			set(s.place[1][i], s.place[0][j], imag(own)+imag(image))
			set(s.place[1][i], s.place[1][j], scale*(real(own)-real(image)))
		}
	}
	var lu mat.LU
	lu.Factorize(m)
	want := mat.NewDense(size, 2*wanted, nil)
	for part := range s.place {
		for i, at := range s.place[part][:wanted] {
			if at >= 0 {
				want.Set(at, 2*i+part, 1)
			}
		}
	}
	s.rows = new(mat.Dense)
	if err := lu.SolveTo(s.rows, true, want); err != nil {
		return nil, fmt.Errorf("multitone: a window of %d samples does not separate the tones and lines in it: %w", g.a.shape.length, err)
	}
	return s, nil
}

// pick makes functions of sums of amplitudes, less one of another solution.
func (s *solution) pick(n int, which func(i int) (sum []int, less int), other *solution) *curved {
	c := &curved{columns: s.columns, own: make([]complex128, n*s.columns), image: make([]complex128, n*s.columns)}
	for i := range n {
		own, image := c.own[i*s.columns:(i+1)*s.columns], c.image[i*s.columns:(i+1)*s.columns]
		sum, less := which(i)
		for _, k := range sum {
			s.add(own, image, k, 1)
		}
		if less >= 0 {
			other.add(own, image, less, -1)
		}
	}
	return c
}

// add adds sign times the amplitude of a column to a function. With
// Re X = Σ a·Re y + b·Im y and Im X = Σ c·Re y + d·Im y it is
// X = ½·Σ ((a + d) + j(c − b))·y + ((a − d) + j(c + b))·y̅.
func (s *solution) add(own, image []complex128, column int, sign float64) {
	at := func(part, j, of int) float64 {
		if row := s.place[part][j]; row >= 0 {
			return sign / 2 * s.rows.At(row, 2*column+of)
		}
		return 0
	}
	for j := range s.columns {
		a, b, c, d := at(0, j, 0), at(1, j, 0), at(0, j, 1), at(1, j, 1)
		own[j] += complex(a+d, c-b)
		image[j] += complex(a-d, c+b)
	}
}
