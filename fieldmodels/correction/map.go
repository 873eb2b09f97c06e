package correction

import (
	"math"
	"slices"
	"sync"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels/mutual"
	"tonepose/fieldmodels/rigid"
)

// Map is the corrections of all emitters of a bench, with their uncertainty.
type Map struct {
	Center     r3.Vec // of the mapped volume [m]
	Radius     float64
	Min, Max   r3.Vec // of the mapped positions [m]
	Smoothness Smoothness
	// Before and After are the mean squares of the residuals in sigmas at
	// stations that had no part in the fit, freed of the errors of their poses:
	// without and with a correction. Standardised is After over the whole
	// covariance of the prediction, before Growth widened it: one when that is
	// right.
	Before, After, Standardised float64
	// Moved is what the fit moves the bench's parameters by; it is not kept with the
	// map.
	Moved []float64
	// Spent is how many numbers the couplings determine of the coefficients: what
	// the map takes from the degrees of freedom. It is not kept with the map.
	Spent float64
	// Growth is the factor on Covariance that makes the errors at stations left out most likely.
	Growth   float64
	Emitters []Emitter
	// Covariance of all emitters' coefficients [T/A], one emitter after another,
	// followed by the parameters of the bench: what one of them has too much
	// another has too little. It must not change once Propagate was called.
	Covariance *mat.SymDense

	once sync.Once
	full []float64 // of rows
}

// Emitter is the correction of one emitter.
type Emitter struct {
	Coefficients []float64 `json:"coefficients_t_per_a"` // see newHarmonics [T/A]
}

// newMap takes the ball of the measured positions.
func newMap(stations []Station, emitters, degree int) *Map {
	m := &Map{Min: r3.Vec{X: math.Inf(1), Y: math.Inf(1), Z: math.Inf(1)}, Max: r3.Vec{X: math.Inf(-1), Y: math.Inf(-1), Z: math.Inf(-1)}}
	each := func(use func(p r3.Vec)) {
		for _, st := range stations {
			for _, pickup := range st.Pickups {
				for _, pt := range pickup {
					use(pt.At)
				}
			}
		}
	}
	each(func(p r3.Vec) {
		m.Min = r3.Vec{X: min(m.Min.X, p.X), Y: min(m.Min.Y, p.Y), Z: min(m.Min.Z, p.Z)}
		m.Max = r3.Vec{X: max(m.Max.X, p.X), Y: max(m.Max.Y, p.Y), Z: max(m.Max.Z, p.Z)}
	})
	m.Center = r3.Scale(0.5, r3.Add(m.Min, m.Max))
	each(func(p r3.Vec) { m.Radius = max(m.Radius, r3.Norm(r3.Sub(p, m.Center))) })
	if m.Radius == 0 {
		m.Radius = 1
	}
	for range emitters {
		m.Emitters = append(m.Emitters, Emitter{Coefficients: make([]float64, termsOf(degree))})
	}
	return m
}

// Source is the correction of an emitter: what its model's field lacks.
func (m *Map) Source(emitter int) *Harmonics { return m.Scaled(emitter, 1) }

// Scaled is the correction of an emitter times k.
func (m *Map) Scaled(emitter int, k float64) *Harmonics {
	c := slices.Clone(m.Emitters[emitter].Coefficients)
	floats.Scale(k, c)
	return newHarmonics(m.Center, m.Radius, c)
}

// reads returns what each pickup reads of each term, row by row [m²].
func (m *Map) reads(pickups [][]mutual.Point) []float64 {
	per := len(m.Emitters[0].Coefficients)
	degree, _ := degreeOf(per)
	out, b := make([]float64, per*len(pickups)), make([]r3.Vec, per)
	for c, pickup := range pickups {
		for _, pt := range pickup {
			basis(r3.Scale(1/m.Radius, r3.Sub(pt.At, m.Center)), degree, b)
			for k, v := range b {
				out[c*per+k] += r3.Dot(pt.Along, v)
			}
		}
	}
	return out
}

// fields is the number of coefficients of all emitters.
func (m *Map) fields() int { return len(m.Emitters) * len(m.Emitters[0].Coefficients) }

// Parameters counts those of the bench in Covariance.
func (m *Map) Parameters() int { return m.Covariance.SymmetricDim() - m.fields() }

// Express replaces the parameters of the bench in Covariance by others, to which
// moves leads: one row for each.
func (m *Map) Express(moves *mat.Dense) {
	fields := m.fields()
	to, from := moves.Dims()
	out := mat.NewSymDense(fields+to, nil)
	for i := range fields {
		for k := i; k < fields; k++ {
			out.SetSym(i, k, m.Covariance.At(i, k))
		}
	}
	across := mat.NewDense(from, fields, nil)
	for i := range from {
		for k := range fields {
			across.Set(i, k, m.Covariance.At(fields+i, k))
		}
	}
	var moved mat.Dense
	moved.Mul(moves, across)
	own := rigid.Propagate(moves, m.Bench())
	for i := range to {
		for k := range fields {
			out.SetSym(fields+i, k, moved.At(i, k))
		}
		for k := i; k < to; k++ {
			out.SetSym(fields+i, fields+k, own.At(i, k))
		}
	}
	m.Covariance = out
}

// Bench is the part of Covariance that is of the parameters of the bench.
func (m *Map) Bench() *mat.SymDense {
	fields, n := m.fields(), m.Covariance.SymmetricDim()
	if n == fields {
		return new(mat.SymDense)
	}
	out := mat.NewSymDense(n-fields, nil)
	out.CopySym(m.Covariance.SliceSym(fields, n))
	return out
}

// Propagate writes the covariance [H²] that the errors of the map and of the
// bench give the couplings of every emitter and pickup, at index e·len(pickups) + c,
// n × n row by row. bench has the derivatives of each coupling by the parameters
// of the bench, row by row. Inside of the mapped volume it is small; outside it
// grows with every length of the radius.
func (m *Map) Propagate(dst []float64, pickups [][]mutual.Point, bench []float64) {
	per, fields, size := len(m.Emitters[0].Coefficients), m.fields(), m.Covariance.SymmetricDim()
	reads, n, shared := m.reads(pickups), len(m.Emitters)*len(pickups), size-m.fields()
	full, y := m.rows(), make([]float64, size)
	// A coupling follows its emitter's coefficients and few parameters; its
	// covariance with all unknowns from its emitter's on serves for all couplings
	// from it on.
	for i := range n {
		first := i / len(pickups) * per
		clear(y)
		part := y[first:]
		for k, v := range reads[i%len(pickups)*per:][:per] {
			floats.AddScaled(part, v, full[(first+k)*size+first:][:len(part)])
		}
		for k, v := range bench[i*shared:][:shared] {
			if v != 0 {
				floats.AddScaled(part, v, full[(fields+k)*size+first:][:len(part)])
			}
		}
		for j := i; j < n; j++ {
			v := floats.Dot(y[j/len(pickups)*per:][:per], reads[j%len(pickups)*per:][:per]) + floats.Dot(y[fields:], bench[j*shared:][:shared])
			dst[i*n+j], dst[j*n+i] = v, v
		}
	}
}

// rows is the whole of Covariance, both triangles.
func (m *Map) rows() []float64 {
	m.once.Do(func() { m.full = rowsOf(m.Covariance) })
	return m.full
}

// rowsOf is a symmetric matrix row by row, both triangles.
func rowsOf(c *mat.SymDense) []float64 {
	n := c.SymmetricDim()
	full := make([]float64, n*n)
	for i := range n {
		for k := i; k < n; k++ {
			v := c.At(i, k)
			full[i*n+k], full[k*n+i] = v, v
		}
	}
	return full
}
