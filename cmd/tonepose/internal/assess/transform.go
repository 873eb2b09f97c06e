package assess

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"slices"
	"strings"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/files"
	"tonepose/fieldmodels/rigid"
	"tonepose/solver/assessment/registration"
)

type transformText struct {
	Frame      poseText    `json:"frame"`
	Body       *poseText   `json:"body,omitempty"`
	Covariance [][]float64 `json:"covariance,omitempty"`
}

// poseText is a pose as all JSON of the command has it.
type poseText struct {
	Position   []float64 `json:"position_m"`
	Quaternion []float64 `json:"quaternion"`
}

// Add adds a registration to files, as ReadTransform reads it.
func (r *Registered) Add(to *files.Batch, name string) error {
	text, err := r.text()
	if err != nil {
		return err
	}
	return to.Write(name, text)
}

// text is the transform as a file that ReadTransform reads.
func (r *Registered) text() ([]byte, error) {
	text := transformText{Frame: textOf(r.Frame)}
	if r.Body != identity {
		body := textOf(r.Body)
		text.Body = &body
	}
	if c := r.Covariance(); c != nil {
		for i := range c.SymmetricDim() {
			text.Covariance = append(text.Covariance, mat.Row(nil, i, c))
		}
	}
	out, err := json.MarshalIndent(text, "", "  ")
	return append(out, '\n'), err
}

func textOf(p rigid.Pose) poseText {
	x, q := p.Position, p.Rotation
	return poseText{[]float64{x.X, x.Y, x.Z}, []float64{q.Real, q.Imag, q.Jmag, q.Kmag}}
}

// ReadTransform reads {"frame": {"position_m": [x, y, z], "quaternion": [w, x, y,
// z]}, "body": {…}, "covariance": [[…]]}: body and covariance may be missing. The
// covariance has 6 rows, of frame, or 12, of frame and body: shift [m] and
// rotation [rad] of each.
func ReadTransform(file string) (*registration.Mounting, error) {
	data, err := os.ReadFile(file)
	if err != nil {
		return nil, err
	}
	var text transformText
	strict := json.NewDecoder(bytes.NewReader(data))
	strict.DisallowUnknownFields()
	if err := strict.Decode(&text); err != nil {
		return nil, unreadable(file, data, err)
	}
	t := &registration.Mounting{Body: identity, Quality: registration.Quality{RMS: math.NaN()}}
	if t.Frame, err = text.Frame.pose(); err != nil {
		return nil, fmt.Errorf("%s: frame: %w", file, err)
	}
	if text.Body != nil {
		if t.Body, err = text.Body.pose(); err != nil {
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
	for i, row := range text.Covariance {
		if len(row) != n {
			return nil, fmt.Errorf("%s: covariance row %d has %d numbers: must be %d", file, i+1, len(row), n)
		}
	}
	t.Joint = mat.NewSymDense(n, slices.Concat(text.Covariance...))
	for i, row := range text.Covariance {
		for j, v := range row {
			if v != t.Joint.At(i, j) || i == j && v < 0 {
				return nil, fmt.Errorf("%s: covariance row %d, column %d = %g: must be symmetric, without negative variances", file, i+1, j+1, v)
			}
		}
	}
	return t, nil
}

// unreadable says where in a file what is no transform stands, as far as its reader tells,
// and what should.
func unreadable(file string, data []byte, err error) error {
	what, place := strings.TrimPrefix(err.Error(), "json: "), file
	offset := int64(-1)
	var syntax *json.SyntaxError
	var kind *json.UnmarshalTypeError
	switch {
	case errors.As(err, &syntax):
		offset, what = syntax.Offset, "not JSON: "+what
	case errors.As(err, &kind):
		offset, what = kind.Offset, strings.TrimSpace(kind.Field+" is a JSON "+kind.Value)
	case errors.Is(err, io.EOF), errors.Is(err, io.ErrUnexpectedEOF):
		offset, what = int64(len(data)), "the JSON ends too early"
	}
	if offset >= 0 {
		place = fmt.Sprintf("%s:%d", file, 1+bytes.Count(data[:min(offset, int64(len(data)))], []byte("\n")))
	}
	return fmt.Errorf("%s: %s: name a file that --save-transform wrote, with at least "+
		`{"frame": {"position_m": [x, y, z], "quaternion": [w, x, y, z]}}`, place, what)
}

func (t *poseText) pose() (p rigid.Pose, err error) {
	x, q := t.Position, t.Quaternion
	if len(x) != 3 || len(q) != 4 {
		return p, errors.New(`must be {"position_m": [x, y, z], "quaternion": [w, x, y, z]}`)
	}
	p = rigid.Pose{Position: r3.Vec{X: x[0], Y: x[1], Z: x[2]}, Rotation: quat.Number{Real: q[0], Imag: q[1], Jmag: q[2], Kmag: q[3]}}
	if norm := quat.Abs(p.Rotation); math.Abs(norm-1) > 0.01 {
		return p, fmt.Errorf("quaternion has norm %.3g: must be 1", norm)
	}
	p.Rotation = rigid.Normalize(p.Rotation)
	return p, nil
}
