package multitone

import "math"

// gram holds A and B of one window (see newCurved), of all pairs of columns of which one follows
// a course.
//
// In an interval that is put together from groups, two phases that run apart are summed from its ends: the sum of
// exp(jψ(n)) over a stretch is E = exp(jψ)/(2j·sin(ψ'/2)), half a sample behind its last, less E half a sample before its first,
// exactly where ψ' is constant. Where it is not, less than ψ″/(2·sin(ψ'/2))² of the samples' number is missing: the next
// term of the expansion is this over ψ' times that number, and the tables' phases, which are straight over a leg, bend from one
// to the next, so that E of both differs by exp(jψ)·ψ″·leg/(2·sin(ψ'/2))², at as many joints as there are legs. Pairs for
// which this may be more than farShare are summed leg by leg.
type gram struct {
	a          *analysis
	own, image []complex128
	size       int
	follow     []int
	near       []pair // summed piece by piece
}

// pair is a test and what it is to see of a column.
type pair struct {
	test, signal int
	image        bool
}

// farShare is what may be missing of another tone's amplitude: a twentieth of what the tables, which are
// for one frequency each, leave of it (see atomTurns).
const farShare = 1e-8

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
	n := len(a.omega)
	g := &gram{a: a, own: make([]complex128, n*n), image: make([]complex128, n*n), size: n}
	for j, k := range a.tones {
		if k != fixed {
			g.follow = append(g.follow, j)
		}
	}
	if b.legs != nil {
		g.alike(c, b)
		g.between(c, b)
	} else {
		for i, k := range a.tones {
			for j, l := range a.tones {
				if k != fixed || l != fixed {
					g.near = append(g.near, pair{i, j, false}, pair{i, j, true})
				}
			}
		}
	}
	g.pieces(c, b)
	return g
}

func (g *gram) at(test, signal int) (own, image complex128) {
	return g.own[test*g.size+signal], g.image[test*g.size+signal]
}

// pieces sums the near pairs piece by piece.
func (g *gram) pieces(c *Config, b *bows) {
	if len(g.near) == 0 {
		return
	}
	used := make([]bool, g.size)
	for _, p := range g.near {
		used[p.test], used[p.signal] = true, true
	}
	tables, signal := make([]ray, g.size), make([]ray, g.size)
	for i, piece := range b.pieces {
		u, length := piece.u, piece.length
		t := (b.middle + u) / c.SampleRate
		for j, omega := range g.a.omega {
			if !used[j] {
				continue
			}
			turns, k := omega*u/(2*math.Pi), g.a.tones[j]
			if k == fixed {
				tables[j].set(omega, turns, length)
				signal[j] = tables[j]
				continue
			}
			tables[j].set(omega+b.higher(c, i, k), turns+b.cycles[i*len(b.tones)+k], length)
			signal[j].set(omega+c.omega(c.Course.HzAt(k, t)-b.tones[k].Hz), turns+b.mean(c, k, u, length), length)
		}
		for _, part := range g.a.shape.parts(u) {
			g.add(tables, signal, part, length)
		}
	}
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
	for _, pair := range g.near {
		d, s := &tables[pair.test], signal[pair.signal]
		to := &g.own[pair.test*g.size+pair.signal]
		if pair.image {
			s.omega, s.phase, s.wide, s.narrow = -s.omega, conj(s.phase), conj(s.wide), conj(s.narrow)
			to = &g.image[pair.test*g.size+pair.signal]
		}
		v := complex(dirichletOf(wide*conj(d.wide)*s.wide, narrow*conj(d.narrow)*s.narrow, p.omega+s.omega-d.omega, length), 0)
		*to += p.size * conj(d.phase) * s.phase * v
	}
}

// dirichletOf is dirichlet, if possible from half a turn over the stretch and over a sample.
func dirichletOf(wide, narrow complex128, omega float64, length int) float64 {
	if d := imag(narrow); math.Abs(d) > 1e-6 {
		return imag(wide) / d
	}
	return dirichlet(omega, length)
}

func conj(z complex128) complex128 { return complex(real(z), -imag(z)) }

// alike sums each tone and its neighbour bins with themselves, piece by piece: what they differ by
// turns by no more than two bins, and by what the course was not known when the samples came.
func (g *gram) alike(c *Config, b *bows) {
	bin := g.a.shape.spacing()
	const most = 2
	sums := make([][2*most + 1]complex128, len(b.tones))
	for i, piece := range b.pieces {
		t := (b.middle + piece.u) / c.SampleRate
		step := unit(cycles(bin * piece.u / (2 * math.Pi)))
		for k := range b.tones {
			off := c.omega(c.Course.HzAt(k, t)-b.tones[k].Hz) - b.higher(c, i, k)
			turn := unit(cycles(b.mean(c, k, piece.u, piece.length)-b.cycles[i*len(b.tones)+k])) / (step * step)
			for m := range sums[k] {
				sums[k][m] += turn * complex(dirichlet(off+float64(m-most)*bin, piece.length), 0)
				turn *= step
			}
		}
	}
	for _, i := range g.follow {
		for _, j := range g.follow {
			if k := g.a.tones[i]; k == g.a.tones[j] {
				m := int(math.Round((g.a.omega[j] - g.a.omega[i]) / bin))
				g.own[i*g.size+j] = sums[k][most+m] * complex(g.a.shape.cosine[0], 0)
			}
		}
	}
}

// end is one of a stretch over which all phases run smoothly.
type end struct {
	tables, signal []point
	sign           float64
}

// point is the phase of a column, and half a turn of it over a sample.
type point struct{ phase, narrow complex128 }

// between sums all other pairs from the ends of smooth stretches, but for those that are too near.
func (g *gram) between(c *Config, b *bows) {
	ends := b.ends(c, g.a)
	curvature := b.curvature(c)
	of := func(column int) float64 {
		if k := g.a.tones[column]; k != fixed {
			return curvature[k]
		}
		return 0
	}
	least := 4 * g.a.shape.spacing() // always near
	middle := make([]complex128, g.size)
	for j, omega := range g.a.omega {
		middle[j] = unit(omega / (4 * math.Pi))
	}
	weight := g.a.shape.cosine[0] / 2
	sum := func(i, j int) {
		limit := (of(i)+of(j))/farShare + least*least
		at := i*g.size + j
		if d := 2 * imag(conj(middle[i])*middle[j]); g.a.tones[i] == g.a.tones[j] { // see alike
		} else if d*d < limit {
			g.near = append(g.near, pair{i, j, false})
		} else {
			own := &g.own[at]
			for _, e := range ends {
				d, s := &e.tables[i], &e.signal[j]
				p := conj(d.phase) * s.phase
				v := e.sign * weight / imag(conj(d.narrow)*s.narrow)
				*own += complex(imag(p)*v, -real(p)*v)
			}
		}
		if d := 2 * imag(middle[i]*middle[j]); d*d < limit {
			g.near = append(g.near, pair{i, j, true})
			return
		}
		image := &g.image[at]
		for _, e := range ends {
			d, s := &e.tables[i], &e.signal[j]
			p := conj(d.phase * s.phase)
			v := e.sign * weight / imag(conj(d.narrow*s.narrow))
			*image += complex(imag(p)*v, -real(p)*v)
		}
	}
	for _, i := range g.follow {
		for j := range g.size {
			if sum(i, j); g.a.tones[j] == fixed {
				sum(j, i)
			}
		}
	}
}

// mostJump is by how much the tables' phases may jump from leg to leg [cycles] for a stretch to be
// smooth. Of the samples' number N it leaves 2π·1e-6/(2·sin(ψ'/2)·N), a hundredth of farShare a hundred bins away.
const mostJump = 1e-6

// ends are those of the smooth stretches of a window.
func (b *bows) ends(c *Config, a *analysis) (ends []end) {
	legs := b.legs
	add := func(l *leg, at, sign float64) {
		u := at - b.middle
		e := end{make([]point, len(a.omega)), make([]point, len(a.omega)), sign}
		for j, omega := range a.omega {
			turns, k := omega*u/(2*math.Pi), a.tones[j]
			if k == fixed {
				e.tables[j] = point{unit(cycles(turns)), unit(omega / (4 * math.Pi))}
				e.signal[j] = e.tables[j]
				continue
			}
			straight := b.tones[k].Hz * u / c.SampleRate
			table := l.cycles[k] + l.hz[k]*(at-l.middle)/c.SampleRate - b.phase[k] - straight
			e.tables[j] = point{unit(cycles(turns + table)), unit((omega + c.omega(l.hz[k]-b.tones[k].Hz)) / (4 * math.Pi))}
			hz := c.Course.HzAt(k, at/c.SampleRate)
			e.signal[j] = point{unit(cycles(turns + b.at(c, k, u))), unit((omega + c.omega(hz-b.tones[k].Hz)) / (4 * math.Pi))}
		}
		ends = append(ends, e)
	}
	add(&legs[0], b.start-0.5, -1)
	for i := 1; i < len(legs); i++ {
		at := legs[i].middle - float64(legs[i].length)/2
		for k := range b.tones {
			if math.Abs(legs[i-1].at(c, k, at)-legs[i].at(c, k, at)) > mostJump {
				add(&legs[i-1], at, 1)
				add(&legs[i], at, -1)
				break
			}
		}
	}
	add(&legs[len(legs)-1], b.stop-0.5, 1)
	return ends
}

// at is the phase of a tone's tables at a sample [cycles].
func (l *leg) at(c *Config, tone int, sample float64) float64 {
	return l.cycles[tone] + l.hz[tone]*(sample-l.middle)/c.SampleRate
}

// curvature is how fast the tones' frequencies change, at most [rad/sample²].
func (b *bows) curvature(c *Config) []float64 {
	most := make([]float64, len(b.tones))
	for k := range most {
		most[k] = math.Abs(c.Course.HzAt(k, b.stop/c.SampleRate)-c.Course.HzAt(k, b.start/c.SampleRate)) / (b.stop - b.start)
		for i := 1; i < len(b.legs); i++ {
			p, q := &b.legs[i-1], &b.legs[i]
			most[k] = max(most[k], math.Abs(q.hz[k]-p.hz[k])/(q.middle-p.middle))
		}
		most[k] = c.omega(most[k])
	}
	return most
}
