package multitone

import (
	"math"
	"slices"
)

// atom is how many samples are projected together: what the two ends of an interval cost is in
// proportion to it.
const atom = 256

// Moments of a tone's samples over a group of atoms give its neighbour bins, which are others
// for each length of interval: over the interval they turn against the tone by half a turn
// to either side, over a group of at most a sixteenth of it by θ = π/16. What their
// expansion leaves out is below θ⁶/11!! = 5.5e-9 of what in the group is no polynomial.
const (
	toneMoments   = 6
	offsetMoments = 4 // of which the ramp is made: it turns by a twentieth of that
	leastGroups   = 16
)

// shortest is the length up to which an interval is projected by itself: its two ends would cost
// as much.
const shortest = leastGroups * atom

// atomTurns is how far a tone may turn over an atom against its table: of another that is a
// multiple of the atoms' rate away, less than this remains in it.
const atomTurns = 2e-7

// stretches gather, for all that is fitted to any interval, Σ x·exp(−jφ) of atoms of samples and
// join them to groups: φ is the phase of a tone along its course since the recording's first
// sample, or that of a line since the grid's.
type stretches struct {
	cfg     *Config
	omega   []float64 // of the sources: tones, foreign lines, zero, other lines
	zero    int       // which of them is zero
	moments []int     // of each source
	rows    []int     // the first of each source
	tables  []float64 // the tones' frequencies [Hz]
	sums    summer
	out     []complex128
	x       []float64    // an atom's samples
	turns   []complex128 // of the sources, in the middle of the atom at hand
	groups  dyadic[*group]
	spare   *group // of a part of an atom
	halves  [2][][]float64
	origin  int64 // where the grid of atoms begins

	legs     []leg // since the oldest interval began
	legAtoms int
	before   int // legs that are forgotten
}

// group is what was gathered from a number of atoms, row·channels + channel.
type group struct {
	y    []complex128
	gone []complex128 // of the samples that weigh nothing; nil: of none
}

// leg is a stretch over which the tones' phases are taken to run straight.
type leg struct {
	middle float64   // [samples]
	length int       // [samples]
	hz     []float64 // of the tones
	cycles []float64 // of the tones in the middle, since the recording's first sample
}

func newStretches(c *Config) *stretches {
	s := &stretches{cfg: c, omega: c.omegas(), halves: [2][][]float64{halving(toneMoments, -1), halving(toneMoments, 1)}}
	for _, l := range c.Foreign {
		s.omega = append(s.omega, c.omega(l.Hz))
	}
	s.zero = len(s.omega)
	s.omega = append(s.omega, 0)
	for _, hz := range c.Lines {
		s.omega = append(s.omega, c.omega(hz))
	}
	n := 0
	for i := range s.omega {
		moments := 1
		if i < len(c.Tones) {
			moments = toneMoments
		} else if i == s.zero {
			moments = offsetMoments
		}
		s.rows, s.moments = append(s.rows, n), append(s.moments, moments)
		n += moments
	}
	s.sums = newSummer(Double, atom, n, c.Channels)
	s.out, s.x, s.turns = make([]complex128, s.sums.Size()), make([]float64, atom*c.Channels), make([]complex128, len(s.omega))
	for _, t := range c.Tones {
		s.tables = append(s.tables, t.Hz)
	}
	for i, w := range s.omega {
		s.tabulate(i, w)
	}
	s.spare = s.newGroup()
	s.groups = dyadic[*group]{make: s.newGroup, join: s.join}
	s.legAtoms = max(1, mostChunk(c.SampleRate)/atom)
	return s
}

func (s *stretches) newGroup() *group {
	last := len(s.rows) - 1
	return &group{y: make([]complex128, (s.rows[last]+s.moments[last])*s.cfg.Channels)}
}

// tabulate makes the tables of a source's moments at a frequency [rad/sample]. Those of
// odd polynomials are stored a quarter turn ahead, as the sums take them.
func (s *stretches) tabulate(source int, omega float64) {
	half := s.sums.Half()
	cos, sin := make([]float64, half), make([]float64, half)
	sinusoid(cos, sin, omega, 0.5)
	even, odd := make([]float64, half), make([]float64, half)
	var p [toneMoments]float64
	for m := range s.moments[source] {
		for n := range half {
			legendre(p[:m+1], (float64(n)+0.5)*2/atom)
			if m%2 == 0 {
				even[n], odd[n] = p[m]*cos[n], -p[m]*sin[n]
			} else {
				even[n], odd[n] = p[m]*sin[n], p[m]*cos[n]
			}
		}
		s.sums.Set(s.rows[source]+m, 0, even, odd)
	}
}

// join puts two groups one after the other together.
func (s *stretches) join(into, first, second *group) {
	clear(into.y)
	s.extend(into.y, first.y, s.halves[0])
	s.extend(into.y, second.y, s.halves[1])
	clear(into.gone)
	if first.gone == nil && second.gone == nil {
		into.gone = nil
		return
	}
	if into.gone == nil {
		into.gone = make([]complex128, len(into.y))
	}
	if first.gone != nil {
		s.extend(into.gone, first.gone, s.halves[0])
	}
	if second.gone != nil {
		s.extend(into.gone, second.gone, s.halves[1])
	}
}

// extend adds the moments of a half to those of a whole.
func (s *stretches) extend(whole, half []complex128, h [][]float64) {
	channels := s.cfg.Channels
	for i, moments := range s.moments {
		at := s.rows[i] * channels
		for m := range moments {
			to := whole[at+m*channels : at+(m+1)*channels]
			for k, v := range h[m][:m+1] {
				for c, y := range half[at+k*channels : at+(k+1)*channels] {
					to[c] += complex(v*real(y), v*imag(y))
				}
			}
		}
	}
}

// begin puts the grid's origin to a sample.
func (s *stretches) begin(origin int64) {
	s.origin, s.groups.count = origin, 0
	s.legs, s.before = s.legs[:0], 0
}

// leg is the one of an atom.
func (s *stretches) leg(i int) *leg {
	at := i/s.legAtoms - s.before
	for len(s.legs) <= at {
		length := s.legAtoms * atom
		first := s.origin + int64((s.before+len(s.legs))*length)
		l := leg{middle: float64(first) + float64(length-1)/2, length: length}
		t := l.middle / s.cfg.SampleRate
		for k, tone := range s.cfg.Tones {
			hz := tone.Hz
			if s.cfg.Course != nil {
				hz = s.cfg.Course.HzAt(k, t)
			}
			l.hz, l.cycles = append(l.hz, hz), append(l.cycles, s.cfg.turned(k, t))
			if math.Abs(hz-s.tables[k])*atom > atomTurns*s.cfg.SampleRate {
				s.tables[k] = hz
				s.tabulate(k, s.cfg.omega(hz))
			}
		}
		s.legs = append(s.legs, l)
	}
	return &s.legs[at]
}

// forget drops the legs that end before a sample.
func (s *stretches) forget(before int64) {
	n := int((before-s.origin)/int64(s.legAtoms*atom)) - s.before
	if n = min(n, len(s.legs)); n > 0 {
		s.legs = slices.Delete(s.legs, 0, n)
		s.before += n
	}
}

// project gathers samples [start, stop), all in one atom of the grid, into g; x are
// they, and o tells which of them weigh nothing.
func (s *stretches) project(g *group, x []float64, start, stop int64, o *omissions) {
	i := int((start - s.origin) / atom)
	first := s.origin + int64(i)*atom
	middle := float64(first) + float64(atom-1)/2
	l := s.leg(i)
	for j := range s.turns {
		var turns float64
		if j < len(l.hz) {
			turns = l.cycles[j] + l.hz[j]*(middle-l.middle)/s.cfg.SampleRate
		} else {
			turns = s.omega[j] * (middle - float64(s.origin)) / (2 * math.Pi)
		}
		s.turns[j] = unit(-cycles(turns))
	}
	channels := s.cfg.Channels
	clear(s.x)
	part := s.x[int(start-first)*channels : int(stop-first)*channels]
	copy(part, x)
	s.sum(g.y)
	if g.gone = g.gone[:0]; o.meet(start) && o.keep(part, channels, start) {
		g.gone = slices.Grow(g.gone, len(g.y))[:len(g.y)]
		s.sum(g.gone)
	} else {
		g.gone = nil
	}
}

// sum writes the moments of the samples at hand.
func (s *stretches) sum(y []complex128) {
	s.sums.Float64(s.out, s.x)
	channels := s.cfg.Channels
	for j, turn := range s.turns {
		for m := range s.moments[j] {
			row := s.rows[j] + m
			to := y[row*channels : (row+1)*channels]
			for c := range to {
				v := s.out[s.sums.Index(c, row)]
				if m%2 == 1 {
					v = complex(imag(v), -real(v))
				}
				to[c] = v * turn
			}
		}
	}
}

// gathered is what an interval has of the sources, of the tones' neighbour bins, two a tone, and of
// the ramp: column·channels + channel.
type gathered []complex128

func (s *stretches) newGathered() gathered {
	return make(gathered, (len(s.omega)+2*len(s.cfg.Tones)+1)*s.cfg.Channels)
}

// gather adds a group of so many samples whose middle is u samples from the interval's.
func (s *stretches) gather(to gathered, y []complex128, size int, u float64, length int) {
	channels := s.cfg.Channels
	for i := range s.omega {
		at := s.rows[i] * channels
		for c, v := range y[at : at+channels] {
			to[i*channels+c] += v
		}
	}
	var e [toneMoments]float64
	bin := 2 * math.Pi / float64(length)
	turning(e[:], bin*float64(size)/2)
	turn := unit(-cycles(u / float64(length)))
	at := len(s.omega) * channels
	for k := range s.cfg.Tones {
		for c := range channels {
			even, odd := expand(e[:], y[s.rows[k]*channels+c:], channels)
			to[at+c] += (even + odd) * complex(real(turn), -imag(turn)) // a bin below
			to[at+channels+c] += (even - odd) * turn
		}
		at += 2 * channels
	}
	turning(e[:offsetMoments], driftBins*bin*float64(size)/2)
	turn = unit(-cycles(driftBins * u / float64(length)))
	for c := range channels {
		even, odd := expand(e[:offsetMoments], y[s.rows[s.zero]*channels+c:], channels)
		to[at+c] += (even - odd) * turn
	}
}

// expand gives the parts of a turned group from its moments of even and of odd order, the latter
// times j.
func expand(e []float64, y []complex128, step int) (even, odd complex128) {
	for m, v := range e {
		p := complex(v*real(y[m*step]), v*imag(y[m*step]))
		if m%2 == 0 {
			even += p
		} else {
			odd += complex(-imag(p), real(p))
		}
	}
	return even, odd
}

// projections are those of one interval on an analysis's columns, channel·columns +
// column, relative to its middle [samples].
func (s *stretches) projections(from gathered, a *analysis, c *Config, middle float64, origin int64) []complex128 {
	n, channels := len(a.omega), c.Channels
	y := make([]complex128, n*channels)
	for j, w := range a.omega {
		source, k := 0, a.tones[j]
		var turns float64
		switch {
		case k != fixed:
			turns, source = c.turned(k, middle/c.SampleRate), k
			if away := w - a.omega[k]; away != 0 {
				if source = len(s.omega) + 2*k; away > 0 {
					source++
				}
			}
		case w == driftBins*a.shape.spacing():
			source = len(s.omega) + 2*len(c.Tones)
		default:
			source = len(c.Tones) + slices.Index(s.omega[len(c.Tones):], w)
			turns = w * (middle - float64(origin)) / (2 * math.Pi)
		}
		turn := unit(cycles(turns))
		for ch := range channels {
			y[ch*n+j] = from[source*channels+ch] * turn
		}
	}
	return y
}
