package correction

import (
	"encoding/json"
	"fmt"
	"math"

	"gonum.org/v1/gonum/spatial/r3"
)

// Map is the corrections of all emitters of a bench, with their uncertainty.
type Map struct {
	Center     r3.Vec // of the mapped volume [m]
	Radius     float64
	Min, Max   r3.Vec // of the mapped places [m]
	Smoothness Smoothness
	// Before and After are the mean squares of the residuals in sigmas, at
	// stations that had no part in the fit: without and with a correction.
	Before, After float64
	Emitters      []Emitter
}

// Emitter is the correction of one emitter.
type Emitter struct {
	Coefficients []float64 // see NewHarmonics [T/A]
	Covariance   []float64 // of them: upper triangle row by row [T²/A²]
}

// newMap takes the measured places' ball.
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
		m.Emitters = append(m.Emitters, Emitter{Coefficients: make([]float64, Terms(degree))})
	}
	return m
}

// Source is the correction of an emitter: what its model's field lacks.
func (m *Map) Source(emitter int) *Harmonics {
	return NewHarmonics(m.Center, m.Radius, m.Emitters[emitter].Coefficients)
}

// reads returns what each pickup reads of each term, row by row [m²].
func (m *Map) reads(pickups [][]Point) []float64 {
	per := len(m.Emitters[0].Coefficients)
	out, b := make([]float64, per*len(pickups)), make([]r3.Vec, per)
	for c, pickup := range pickups {
		for _, pt := range pickup {
			basis(r3.Scale(1/m.Radius, r3.Sub(pt.At, m.Center)), degreeOf(per), b)
			for k, v := range b {
				out[c*per+k] += r3.Dot(pt.Along, v)
			}
		}
	}
	return out
}

// Variances writes the variance [H²] that the map's own uncertainty gives the
// coupling of every emitter and pickup, at index e·len(pickups) + c. Inside of
// the mapped volume it is small; outside it grows with every length of the
// radius.
func (m *Map) Variances(dst []float64, pickups [][]Point) {
	reads := m.reads(pickups)
	per := len(m.Emitters[0].Coefficients)
	for e := range m.Emitters {
		cov := m.Emitters[e].Covariance
		for c := range pickups {
			row, sum, at := reads[c*per:(c+1)*per], 0.0, 0
			for i := range per {
				sum += cov[at] * row[i] * row[i]
				at++
				for k := i + 1; k < per; k++ {
					sum += 2 * cov[at] * row[i] * row[k]
					at++
				}
			}
			dst[e*len(pickups)+c] = max(0, sum)
		}
	}
}

// stored is the form of a map's file.
type stored struct {
	Format   string          `json:"format"`
	Center   [3]float64      `json:"center_m"`
	Radius   float64         `json:"radius_m"`
	Min      [3]float64      `json:"mapped_min_m"`
	Max      [3]float64      `json:"mapped_max_m"`
	Falloff  float64         `json:"falloff"`
	Relative float64         `json:"relative_amplitude"`
	Before   float64         `json:"held_out_mean_square_before"`
	After    float64         `json:"held_out_mean_square_after"`
	Emitters []storedEmitter `json:"emitters"`
}

type storedEmitter struct {
	Coefficients []float64 `json:"coefficients_t_per_a"`
	Covariance   []float64 `json:"covariance_t2_per_a2"`
}

const format = "tonepose correction 1"

// Encode writes the map as JSON, every number so that it reads back as itself.
func (m *Map) Encode() ([]byte, error) {
	s := stored{Format: format, Center: array(m.Center), Radius: m.Radius, Min: array(m.Min), Max: array(m.Max),
		Falloff: m.Smoothness.Falloff, Relative: m.Smoothness.Relative, Before: m.Before, After: m.After}
	for _, e := range m.Emitters {
		s.Emitters = append(s.Emitters, storedEmitter(e))
	}
	text, err := json.Marshal(s)
	return append(text, '\n'), err
}

// Decode reads what Encode wrote, for a bench of so many emitters.
func Decode(text []byte, emitters int) (*Map, error) {
	var s stored
	if err := json.Unmarshal(text, &s); err != nil {
		return nil, err
	}
	switch {
	case s.Format != format:
		return nil, fmt.Errorf("format = %q: must be %q", s.Format, format)
	case len(s.Emitters) != emitters:
		return nil, fmt.Errorf("has %d emitters: the rig has %d", len(s.Emitters), emitters)
	case !(s.Radius > 0) || emitters == 0:
		return nil, fmt.Errorf("radius_m = %g: must be positive", s.Radius)
	}
	m := &Map{Center: vector(s.Center), Radius: s.Radius, Min: vector(s.Min), Max: vector(s.Max),
		Before: s.Before, After: s.After}
	for i, e := range s.Emitters {
		n := len(e.Coefficients)
		if n != len(s.Emitters[0].Coefficients) || !known(n) || len(e.Covariance) != n*(n+1)/2 {
			return nil, fmt.Errorf("emitters[%d] has %d coefficients and %d covariances: must be those of one degree up to %d", i, n, len(e.Covariance), MaxDegree)
		}
		m.Emitters = append(m.Emitters, Emitter(e))
	}
	m.Smoothness = Smoothness{degreeOf(len(m.Emitters[0].Coefficients)), s.Falloff, s.Relative}
	return m, nil
}

func known(terms int) bool {
	for l := 1; l <= MaxDegree; l++ {
		if Terms(l) == terms {
			return true
		}
	}
	return false
}

func array(v r3.Vec) [3]float64  { return [3]float64{v.X, v.Y, v.Z} }
func vector(a [3]float64) r3.Vec { return r3.Vec{X: a[0], Y: a[1], Z: a[2]} }
