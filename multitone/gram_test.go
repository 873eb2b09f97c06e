package multitone

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"slices"
	"testing"

	"gonum.org/v1/gonum/mat"
)

// bend25 has a clock that drifts so fast that nothing in an interval of a tenth of a second is straight.
var bend25 = drift{nominal: []float64{5125, 6325, 9025}, rate: 25e-6, size: 2e-8, hz: 0.3}

// bow is how far a leg of so many samples is from the course at its ends [rad]: half of the phase's second derivative times
// the square of half its length.
func (d drift) bow(legSamples int, rate float64) float64 {
	half := float64(legSamples) / 2 / rate
	return math.Pi * slices.Max(d.nominal) * d.rate * half * half
}

// The sums that a fit to bent phases needs, from the ends of the interval, are those over its samples, by their
// definition: where the tables followed the course, where this came to be known later, and where it was another
// all at once. A leg leaves a straight line by its bow, which a sum over it may miss as a share of its samples; what is
// far is better known, to farShare and what jumps below mostJump leave.
func TestGramIsTheSumOverSamples(t *testing.T) {
	const rate, start, stop = 100e3, 3333, 33343
	late := bend25
	late.rate *= 1.2
	for _, test := range []struct {
		name  string
		early Course // by which the tables go
		jump  int64  // where they go by what is known from then on; 0: nowhere
	}{
		{"known", bend25, 0},
		{"known later", late, 0},
		{"jumping", late, 20000},
	} {
		c := Config{SampleRate: rate, Channels: 1, Course: test.early, Lines: []float64{50, 150, 250, 5350},
			Foreign: []Line{{Hz: 5171, Power: []float64{1e-4}, Noise: []float64{1e-6}}}}
		for _, hz := range bend25.nominal {
			c.Tones = append(c.Tones, Tone{Hz: hz})
		}
		var p Intervals
		if _, err := p.Begin(c, 1000, stop+1000); err != nil { // so that the interval is not at the grid's origin
			t.Fatal(err)
		}
		v, err := p.Begin(c, start, stop)
		if err != nil {
			t.Fatal(err)
		}
		for at := int64(0); at < stop+2000; at += 1000 {
			if test.jump > 0 && at == test.jump {
				p.Follow(bend25)
			}
			if err := p.Write([][]float64{make([]float64, 1000)}, at); err != nil {
				t.Fatal(err)
			}
		}
		p.Follow(bend25)
		if _, err := v.Frame(); err != nil {
			t.Fatal(err)
		}
		a, b, cfg := v.plan.analysis, &v.bows, &v.cfg
		if b.flat(cfg) {
			t.Fatal("nothing is bent")
		}
		g := newGram(cfg, a, b)
		n := len(a.omega)
		own, image := make([]complex128, n*n), make([]complex128, n*n)
		tests, signals := make([]complex128, n), make([]complex128, n)
		at := 0
		for s := int64(start); s < stop; s++ {
			for float64(s) > b.legs[at].middle+float64(b.legs[at].length)/2 {
				at++
			}
			u := float64(s) - b.middle
			for j, w := range a.omega {
				turns, k := w*u/(2*math.Pi), a.tones[j]
				tests[j], signals[j] = unit(cycles(turns)), unit(cycles(turns))
				if k != fixed {
					side := (w - a.omega[k]) * u / (2 * math.Pi)
					l := &b.legs[at]
					tests[j] = unit(cycles(side + l.cycles[k] + l.hz[k]*(float64(s)-l.middle)/rate - b.phase[k]))
					signals[j] = unit(cycles(side + bend25.Cycles(k, float64(s)/rate) - b.phase[k]))
				}
			}
			for _, i := range slices.Concat(g.follow, []int{3, 4, 5, 6, 7}) {
				for j := range n {
					own[i*n+j] += cmplx.Conj(tests[i]) * signals[j]
					image[i*n+j] += cmplx.Conj(tests[i] * signals[j])
				}
			}
		}
		near := 0
		for _, i := range slices.Concat(g.follow, []int{3, 4, 5, 6, 7}) {
			for j := range n {
				if a.tones[i] == fixed && a.tones[j] == fixed {
					continue
				}
				for _, of := range []struct {
					got, want []complex128
					image     bool
				}{{g.own, own, false}, {g.image, image, true}} {
					limit := (farShare + 1e-9) * (stop - start)
					if slices.Contains(g.near, pair{i, j, of.image}) || a.tones[i] == a.tones[j] && !of.image {
						limit = bend25.bow(4096, rate) * (stop - start)
						near++
					}
					if d := cmplx.Abs(of.got[i*n+j] - of.want[i*n+j]); d > limit {
						t.Errorf("%s: columns %d and %d, image %v: %.6g, want %.6g: off by %.3g of the samples, want %.3g", test.name, i, j, of.image, of.got[i*n+j], of.want[i*n+j], d/(stop-start), limit/(stop-start))
					}
				}
			}
		}
		if all := 2 * n * n; near > all/2 || near == 0 {
			t.Errorf("%s: %d of %d pairs are near", test.name, near, all)
		}
	}
}

// leastSquares are the amplitudes of a channel's tones by the definition of an interval's fit: the columns at each
// sample along the course, their normal equations with the ridge, and gonum's solution of these.
func leastSquares(v *Interval, x []float64) []complex128 {
	a, c := v.plan.analysis, &v.cfg
	columns, length := a.plain, int(v.stop-v.start)
	s := mat.NewDense(length, 2*columns, nil)
	middle := float64(v.start) + float64(length-1)/2
	for n := range length {
		for j, w := range a.omega[:columns] {
			u := float64(v.start+int64(n)) - middle
			turns := w * u / (2 * math.Pi)
			if k := a.tones[j]; k != fixed {
				turns = c.turned(k, (middle+u)/c.SampleRate) - c.turned(k, middle/c.SampleRate)
			}
			sin, cos := math.Sincos(2 * math.Pi * cycles(turns))
			for part, value := range []float64{cos, -sin} {
				if a.shape.present(part, w) {
					s.Set(n, 2*j+part, value)
				}
			}
		}
	}
	var normal mat.SymDense
	normal.SymOuterK(1, s.T())
	for i := range 2 * columns {
		d := normal.At(i, i)
		if j := i / 2; d == 0 { // absent
			d = 1
		} else if j >= len(c.Tones)+a.strong {
			d *= 1 + ridge
		} else if j >= len(c.Tones) {
			d *= 1 + strongRidge
		}
		normal.SetSym(i, i, d)
	}
	var right, fit mat.VecDense
	right.MulVec(s.T(), mat.NewVecDense(length, x[v.start:v.stop]))
	var chol mat.Cholesky
	if !chol.Factorize(&normal) {
		return nil
	}
	if err := chol.SolveVecTo(&fit, &right); err != nil {
		return nil
	}
	out := make([]complex128, len(c.Tones))
	for k := range out {
		out[k] = complex(fit.AtVec(2*k), fit.AtVec(2*k+1))
	}
	return out
}

// Overlapping intervals are the least squares over their own samples: with tones alone, with mains, and where the clock
// bends as well.
//
// Without a course both solve the same equations, whose condition is below 1e8, that of the ridge; of what is
// not asked for no digit need agree, and the tones, which are an orthogonal part of these but for 1e-2, agree to 1e-11 of
// the largest amplitude, 1. Where the clock bends, a leg leaves a straight line by a bow, which of another tone, m =
// 49 bins of a leg away, leaves bow/(2πm), there being two, and changes the weights of noise by as much as itself.
func TestIntervalsAreLeastSquares(t *testing.T) {
	const samples, count, rate, sigma = 60000, 8, 100e3, 1e-3
	amplitudes := []complex128{unit(0.1), 0.5 * unit(0.3), 0.2i}
	for _, test := range []struct {
		name  string
		lines []float64
		bent  bool
		limit float64
	}{
		{"tones", nil, false, 1e-11},
		{"mains", []float64{50, 150, 250, 350, 450, 550, 650, 5350}, false, 1e-11},
		{"bent", []float64{50, 150, 250, 350, 450, 550, 650, 5350}, true,
			bend25.bow(4096, rate) * (2/(2*math.Pi*49) + 6*sigma*math.Sqrt(2./5000))},
	} {
		t.Run(test.name, func(t *testing.T) {
			rng := rand.New(rand.NewPCG(61, 62))
			c := Config{SampleRate: rate, Channels: 1, Lines: test.lines}
			course := drift{nominal: bend25.nominal, hz: 1}
			if test.bent {
				course = bend25
				c.Course = course
			}
			for _, hz := range course.nominal {
				c.Tones = append(c.Tones, Tone{Hz: hz})
			}
			x := make([]float64, samples)
			chirps(x, rate, course, amplitudes)
			for i, hz := range test.lines {
				sines(x, rate, []float64{hz}, []complex128{complex(0.02/float64(i+1), 0)})
			}
			noise(x, sigma, rng)
			var spans []Span
			for range count {
				length := 5000 + rng.Int64N(12000)
				start := rng.Int64N(samples - length)
				spans = append(spans, Span{start, start + length})
			}
			slices.SortFunc(spans, func(a, b Span) int { return int(a.Start - b.Start) })
			var p Intervals
			var all []*Interval
			for _, s := range spans {
				v, err := p.Begin(c, s.Start, s.Stop)
				if err != nil {
					t.Fatal(err)
				}
				all = append(all, v)
			}
			if err := p.Write([][]float64{x}, 0); err != nil {
				t.Fatal(err)
			}
			for _, v := range all {
				f, err := v.Frame()
				if err != nil {
					t.Fatal(err)
				}
				if v.bows.flat(&v.cfg) == test.bent {
					t.Fatalf("%d to %d is bent: %v", v.start, v.stop, !test.bent)
				}
				want := leastSquares(v, x)
				if want == nil {
					t.Fatal("the normal equations have no solution")
				}
				for k, w := range want {
					w *= unit(-cycles(v.cfg.turned(k, f.Time(rate))))
					if got, _ := f.At(k, 0); !(cmplx.Abs(got-w) <= test.limit) {
						t.Errorf("%d to %d, tone %d: %.12g, want %.12g: off by %.3g, want %.3g", v.start, v.stop, k, got, w, cmplx.Abs(got-w), test.limit)
					}
				}
			}
		})
	}
}
