package correction

import (
	"math"

	"gonum.org/v1/gonum/optimize"
	"gonum.org/v1/gonum/spatial/r3"
)

// Smoothness is what the couplings say of a correction before it is fitted: it
// is the field of random dipoles, as dense everywhere, on a sphere around the
// mapped ball. A shifted sphere is nearer on one side; one shifted far is a
// plane, as below a bench over a plate.
type Smoothness struct {
	Degree  int
	Falloff float64 // radius of the ball over the nearest source's distance from its centre
	Shift   r3.Vec  // of the sphere's centre, in radii of the ball
	// Relative is the rms amplitude of the coefficients over the rms size of the
	// emitter's residual field.
	Relative float64
}

// flat is the shift, in radii of the ball, beyond which a sphere is a plane.
const flat = 100

func (s Smoothness) amplitudes(sizes []float64) []float64 {
	out := make([]float64, len(sizes))
	for e, size := range sizes {
		out[e] = s.Relative * size
	}
	return out
}

// closest bounds the falloff: metal stands at least that far from the mapped ball.
const closest = 0.95

// vector is the smoothness in free coordinates, and smooth its inverse.
func (s Smoothness) vector() []float64 {
	f := min(s.Falloff/closest, 1-1e-9)
	return []float64{math.Log(f / (1 - f)), math.Log(s.Relative), math.Asinh(s.Shift.X), math.Asinh(s.Shift.Y), math.Asinh(s.Shift.Z)}
}

func smooth(degree int, x []float64) Smoothness {
	s := Smoothness{Degree: degree, Falloff: closest / (1 + math.Exp(-x[0])), Relative: math.Exp(x[1]),
		Shift: r3.Vec{X: math.Sinh(x[2]), Y: math.Sinh(x[3]), Z: math.Sinh(x[4])}}
	if h := r3.Norm(s.Shift); h > flat {
		s.Shift = r3.Scale(flat/h, s.Shift)
	}
	return s
}

// choices are the degrees among which the evidence chooses, rising.
var choices = []int{4, 6, 8, 10, MaxDegree}

// gain is what −2 log evidence must fall by for a higher degree. Less is a
// misfit that the stations left out make good for, at an eighth of the work.
const gain = 20

// choose finds the smoothness, and the degree unless it is given.
func (b *Bench) choose(o *Options) (Smoothness, error) {
	if b.sizes()[0] == 0 { // all are
		return Smoothness{}, ErrNothing
	}
	degrees := choices
	if o.Degree != 0 {
		degrees = []int{o.Degree}
	}
	var best Smoothness
	least := math.Inf(1)
	for i, degree := range degrees {
		e := b.evidence(degree)
		start := o.Start
		if i > 0 {
			if e.minus2(best.vector()) > least-gain {
				break
			}
			start = &best
		}
		s, minus2, err := e.largest(start)
		if err != nil {
			return s, err
		}
		best, least = s, minus2
	}
	return best, nil
}

// evidence is the probability of the couplings, every emitter's by itself, with
// its own parameters of the bench free and the others as they are (a composite
// likelihood: Varin, Reid and Firth, Statistica Sinica 21, 2011; not checked
// against the original).
type evidence struct {
	degree int
	sizes  []float64
	parts  []*equations
}

func (b *Bench) evidence(degree int) *evidence {
	out := &evidence{degree: degree, sizes: b.sizes(), parts: make([]*equations, b.Emitters)}
	reads := b.reads(newMap(b.Stations, b.Emitters, degree))
	sideBySide(b.Emitters, func(e int) {
		one := make([]bool, b.Emitters)
		one[e] = true
		q := newEquations(termsOf(degree), one, b.own(e))
		q.gather(b.Stations, reads, b.Known)
		out.parts[e] = q
	})
	return out
}

// minus2 is −2 log evidence, but for a constant, at free coordinates of the
// smoothness; +Inf where there is none.
func (e *evidence) minus2(x []float64) float64 {
	s, sum := smooth(e.degree, x), 0.0
	pr, err := newPrior(s)
	if err != nil {
		return math.Inf(1)
	}
	amplitudes := s.amplitudes(e.sizes)
	minus2 := make([]float64, len(e.parts))
	sideBySide(len(e.parts), func(i int) {
		minus2[i] = math.Inf(1)
		if post, err := e.parts[i].solve(pr, amplitudes); err == nil {
			minus2[i] = post.minus2
		}
	})
	for _, v := range minus2 {
		sum += v
	}
	if math.IsNaN(sum) {
		return math.Inf(1)
	}
	return sum
}

// largest seeks the smoothness of the largest evidence, from start if there is
// one.
func (e *evidence) largest(start *Smoothness) (Smoothness, float64, error) {
	from, size := Smoothness{Falloff: 0.6, Relative: 1}, 0.7
	if start != nil {
		from, size = *start, 0.3
	}
	// A tenth in −2 log evidence moves no hyperparameter by a noticeable share of
	// its uncertainty.
	found, err := optimize.Minimize(optimize.Problem{Func: e.minus2}, from.vector(), &optimize.Settings{FuncEvaluations: 300,
		Converger: &optimize.FunctionConverge{Absolute: 0.1, Iterations: 20}}, &optimize.NelderMead{SimplexSize: size})
	if found == nil {
		return Smoothness{}, 0, err
	}
	return smooth(e.degree, found.X), found.F, nil
}

// own marks the parameters of the bench that move the couplings of emitter e
// alone.
func (b *Bench) own(e int) []bool {
	out := make([]bool, b.Parameters)
	for _, others := range []bool{false, true} {
		for _, st := range b.Stations {
			for _, rw := range st.Rows {
				if (rw.Pickup < 0 || rw.Emitter != e) != others {
					continue
				}
				for _, c := range rw.Columns {
					out[c] = !others
				}
			}
		}
	}
	return out
}
