package correction

import (
	"encoding/json"
	"fmt"
	"strconv"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"
)

// stored is the form of a map's file.
type stored struct {
	Format       string     `json:"format"`
	Center       [3]float64 `json:"center_m"`
	Radius       float64    `json:"radius_m"`
	Min          [3]float64 `json:"mapped_min_m"`
	Max          [3]float64 `json:"mapped_max_m"`
	Falloff      float64    `json:"falloff"`
	Shift        [3]float64 `json:"shift_radii"`
	Relative     float64    `json:"relative_amplitude"`
	Before       float64    `json:"held_out_mean_square_before"`
	After        float64    `json:"held_out_mean_square_after"`
	Standardised float64    `json:"held_out_standardised"`
	Growth       float64    `json:"variance_factor"`
	Emitters     []Emitter  `json:"emitters"`
	Covariance   triangle   `json:"covariance"` // upper triangle row by row, of all coefficients and the bench's parameters
}

// triangle is written with nine digits: a billionth of a variance is nothing, and
// the file half as long.
type triangle []float64

func (t triangle) MarshalJSON() ([]byte, error) {
	out := []byte{'['}
	for i, v := range t {
		if !usual(v) {
			return nil, fmt.Errorf("covariance %d = %g: must be finite", i, v)
		}
		if i > 0 {
			out = append(out, ',')
		}
		out = strconv.AppendFloat(out, v, 'g', 9, 64)
	}
	return append(out, ']'), nil
}

const format = "tonepose correction 2"

// Encode writes the map as JSON, the numbers of its fields so that they read
// back as themselves.
func (m *Map) Encode() ([]byte, error) {
	s := stored{Format: format, Center: array(m.Center), Radius: m.Radius, Min: array(m.Min), Max: array(m.Max),
		Falloff: m.Smoothness.Falloff, Shift: array(m.Smoothness.Shift), Relative: m.Smoothness.Relative,
		Before: m.Before, After: m.After, Standardised: m.Standardised, Growth: m.Growth, Emitters: m.Emitters}
	n := m.Covariance.SymmetricDim()
	for i := range n {
		for k := i; k < n; k++ {
			s.Covariance = append(s.Covariance, m.Covariance.At(i, k))
		}
	}
	text, err := json.Marshal(s)
	return append(text, '\n'), err
}

// Decode reads what Encode wrote, for a bench of so many emitters and of so many
// parameters in the covariance.
func Decode(text []byte, emitters, parameters int) (*Map, error) {
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
		Before: s.Before, After: s.After, Standardised: s.Standardised, Growth: s.Growth, Emitters: s.Emitters}
	degree, ok := degreeOf(len(s.Emitters[0].Coefficients))
	for i, e := range s.Emitters {
		if n := len(e.Coefficients); !ok || n != len(s.Emitters[0].Coefficients) {
			return nil, fmt.Errorf("emitters[%d] has %d coefficients: must be those of one degree up to %d", i, n, MaxDegree)
		}
	}
	n := m.fields() + parameters
	if want := n * (n + 1) / 2; len(s.Covariance) != want {
		return nil, fmt.Errorf("covariance has %d numbers: must have %d, for %d coefficients and %d parameters of the bench", len(s.Covariance), want, m.fields(), parameters)
	}
	m.Covariance = mat.NewSymDense(n, nil)
	at := 0
	for i := range n {
		for k := i; k < n; k++ {
			m.Covariance.SetSym(i, k, s.Covariance[at])
			at++
		}
		if !(m.Covariance.At(i, i) >= 0) {
			return nil, fmt.Errorf("covariance: variance %d = %g: must not be negative", i, m.Covariance.At(i, i))
		}
	}
	m.Smoothness = Smoothness{Degree: degree, Falloff: s.Falloff, Shift: vector(s.Shift), Relative: s.Relative}
	return m, nil
}

func array(v r3.Vec) [3]float64  { return [3]float64{v.X, v.Y, v.Z} }
func vector(a [3]float64) r3.Vec { return r3.Vec{X: a[0], Y: a[1], Z: a[2]} }
