package assess

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"os"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels/rigid"
)

// Transform carries a truth over: pose in the rig frame = Frame ∘ truth ∘ Body.
type Transform struct {
	Frame rigid.Pose // of the truth's frame in the rig
	Body  rigid.Pose // of the sensor in the truth's marker
	// Covariance over shift [m] and turn [rad] of Frame, then of Body; nil: exact.
	Covariance *mat.SymDense
}

type transformText struct {
	Frame      map[string]float64 `json:"frame"`
	Body       map[string]float64 `json:"body,omitempty"`
	Covariance [][]float64        `json:"covariance,omitempty"`
}

var poseKeys = [...]string{"x_m", "y_m", "z_m", "qw", "qx", "qy", "qz"}

// JSON writes the transform as a file that ReadTransform reads.
func (t *Transform) JSON() ([]byte, error) {
	text := transformText{Frame: poseMap(t.Frame)}
	if t.Body != stay {
		text.Body = poseMap(t.Body)
	}
	if c := t.Covariance; c != nil {
		for i := range c.SymmetricDim() {
			text.Covariance = append(text.Covariance, mat.Row(nil, i, c))
		}
	}
	out, err := json.MarshalIndent(text, "", "  ")
	return append(out, '\n'), err
}

func poseMap(p rigid.Pose) map[string]float64 {
	q := p.Rotation
	m := map[string]float64{}
	for i, v := range []float64{p.Position.X, p.Position.Y, p.Position.Z, q.Real, q.Imag, q.Jmag, q.Kmag} {
		m[poseKeys[i]] = v
	}
	return m
}

// ReadTransform reads {"frame": {x_m, y_m, z_m, qw, qx, qy, qz}, "body": {…},
// "covariance": [[…]]}: body and covariance may be missing. The covariance has 6
// rows, of frame, or 12, of frame and body: shift [m] and turn [rad] of each.
func ReadTransform(file string) (*Transform, error) {
	data, err := os.ReadFile(file)
	if err != nil {
		return nil, err
	}
	var text transformText
	strict := json.NewDecoder(bytes.NewReader(data))
	strict.DisallowUnknownFields()
	if err := strict.Decode(&text); err != nil {
		return nil, fmt.Errorf("%s: %w", file, err)
	}
	t := &Transform{Body: stay}
	if t.Frame, err = poseOfMap(text.Frame); err != nil {
		return nil, fmt.Errorf("%s: frame: %w", file, err)
	}
	if text.Body != nil {
		if t.Body, err = poseOfMap(text.Body); err != nil {
			return nil, fmt.Errorf("%s: body: %w", file, err)
		}
	}
	n := len(text.Covariance)
	if n == 0 {
		return t, nil
	}
	if n != 6 && n != 12 {
		return nil, fmt.Errorf("%s: covariance has %d rows: must be 6 or 12", file, n)
	}
	t.Covariance = mat.NewSymDense(n, nil)
	for i, row := range text.Covariance {
		if len(row) != n {
			return nil, fmt.Errorf("%s: covariance row %d has %d numbers: must be %d", file, i+1, len(row), n)
		}
		for j, v := range row {
			if v != text.Covariance[j][i] || i == j && v < 0 {
				return nil, fmt.Errorf("%s: covariance row %d, column %d = %g: must be symmetric, without negative variances", file, i+1, j+1, v)
			}
			t.Covariance.SetSym(i, j, v)
		}
	}
	return t, nil
}

func poseOfMap(m map[string]float64) (p rigid.Pose, err error) {
	var v [7]float64
	for i, key := range poseKeys {
		x, ok := m[key]
		if !ok {
			return p, fmt.Errorf("%s is missing", key)
		}
		v[i] = x
	}
	if len(m) != len(poseKeys) {
		return p, fmt.Errorf("%d keys: must be x_m y_m z_m qw qx qy qz", len(m))
	}
	q := quat.Number{Real: v[3], Imag: v[4], Jmag: v[5], Kmag: v[6]}
	if norm := quat.Abs(q); math.Abs(norm-1) > 0.01 {
		return p, fmt.Errorf("quaternion has norm %.3g: must be 1", norm)
	}
	return rigid.Pose{Position: r3.Vec{X: v[0], Y: v[1], Z: v[2]}, Rotation: rigid.Normalize(q)}, nil
}
