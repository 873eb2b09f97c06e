package rig

import (
	"bytes"
	"cmp"
	"encoding/csv"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"gonum.org/v1/gonum/mat"

	"tonepose/cmd/tonepose/internal/yamltree"
	"tonepose/fieldmodels"
	"tonepose/fieldmodels/correction"
	"tonepose/fieldmodels/mutual"
	"tonepose/multitone/recording"
)

// Calibration says where a rig's calibrated values come from.
type Calibration struct {
	Date            time.Time
	ReferenceSHA256 string   // of the file of reference poses; may be empty
	Parameters      []string // rows and columns of the covariance
	Covariance      Companion
	Correction      Companion // map of what static metal adds
}

// Companion is a file beside the rig's; the zero value: there is none.
type Companion struct {
	File   string // relative to the rig file
	SHA256 string
}

// companions yields the files beside the rig by what the block's keys call them.
func (c *Calibration) companions(yield func(what string, c Companion) bool) {
	_ = yield("covariance", c.Covariance) && yield("correction", c.Correction)
}

// EmitterParameters names the parameters of an emitter in a covariance, in the
// order of fieldmodels.ParametersPerEmitter. A covariance may name others too,
// which Rig.Array passes over.
func EmitterParameters(emitter string) [fieldmodels.ParametersPerEmitter]string {
	return parameters("emitters."+emitter, "strength")
}

// CoilParameters names the parameters of a sensor's coil, known by its channel,
// in the order of mutual.ParametersPerCoil.
func CoilParameters(sensor, channel string) [mutual.ParametersPerCoil]string {
	return parameters("sensors."+sensor+"."+channel, "sensitivity")
}

func parameters(of, last string) (names [7]string) {
	for i, name := range []string{"shift_x_m", "shift_y_m", "shift_z_m", "tilt_x_rad", "tilt_y_rad", "tilt_z_rad", last} {
		names[i] = of + "." + name
	}
	return names
}

// covariance is the content of a covariance file.
type covariance struct {
	names []string
	sym   *mat.SymDense
}

// SetCalibration states where the new values come from, in place of what the
// rig said of it before. cov is the covariance of c.Parameters, or nil; Save
// writes it beside the rig file and fills in its name and hash.
func (e *Edit) SetCalibration(c Calibration, cov *mat.SymDense) {
	c.Covariance, c.Correction = Companion{}, Companion{}
	e.calibration, e.cov = &c, nil
	if cov == nil {
		return
	}
	if n := cov.SymmetricDim(); n != len(c.Parameters) && e.err == nil {
		e.err = fmt.Errorf("rig: covariance of %d parameters, %d are named", n, len(c.Parameters))
	}
	e.cov = &covariance{c.Parameters, cov}
}

// SetCorrection adds a map of what static metal adds to the fields, which
// SetCalibration must come before; Save writes it beside the rig file.
func (e *Edit) SetCorrection(m *correction.Map) {
	if e.calibration == nil && e.err == nil {
		e.err = errors.New("rig: a correction belongs to a calibration, which is not set")
	}
	e.correction = m
}

// csv writes one header row of names and the full matrix, every number in the
// shortest form that reads back as itself.
func (c *covariance) csv() ([]byte, error) {
	var b bytes.Buffer
	w := csv.NewWriter(&b)
	rows := [][]string{c.names}
	for i := range c.names {
		row := make([]string, len(c.names))
		for j := range c.names {
			row[j] = format(c.sym.At(i, j))
		}
		rows = append(rows, row)
	}
	err := w.WriteAll(rows)
	return b.Bytes(), err
}

func readCovariance(text []byte) (*covariance, error) {
	if no := recording.NotTable(text); no != "" {
		return nil, errors.New(no)
	}
	rows, err := csv.NewReader(bytes.NewReader(text)).ReadAll()
	if err != nil {
		return nil, err
	}
	n := 0
	if len(rows) > 0 {
		n = len(rows[0])
	}
	if n == 0 || len(rows) != n+1 {
		return nil, fmt.Errorf("has %d rows, must have a header and %d", len(rows), n)
	}
	full := mat.NewDense(n, n, nil)
	for i, row := range rows[1:] {
		for j, field := range row {
			x, err := strconv.ParseFloat(field, 64)
			if err != nil || math.IsNaN(x) || math.IsInf(x, 0) {
				return nil, fmt.Errorf("line %d, %s = %s: must be a finite number", i+2, rows[0][j], yamltree.Shorten(field))
			}
			full.Set(i, j, x)
		}
	}
	c := &covariance{rows[0], mat.NewSymDense(n, nil)}
	for i := range n {
		for j := i; j < n; j++ {
			x := full.At(i, j)
			// |c_ij| ≤ √(c_ii c_jj) holds for every covariance; 1e-9 is for
			// the rounding of an inverse of full rank in double precision.
			if x != full.At(j, i) || math.Abs(x) > math.Sqrt(full.At(i, i))*math.Sqrt(full.At(j, j))*(1+1e-9) || math.IsNaN(math.Sqrt(full.At(i, i))) {
				return nil, fmt.Errorf("line %d, %s = %s: is no covariance of %s", i+2, rows[0][j], format(x), rows[0][i])
			}
			c.sym.SetSym(i, j, x)
		}
	}
	return c, nil
}

// covariance loads the rig's covariance file; nil when it has none.
func (r *Rig) covariance() (*covariance, error) {
	c := cmp.Or(r.Calibration, &Calibration{})
	text, err := r.beside("covariance", c.Covariance)
	if text == nil {
		return nil, err
	}
	cov, err := readCovariance(text)
	if err != nil {
		return nil, r.besideError("covariance_file", c.Covariance.File, err.Error(), "calibrate again")
	}
	if !slices.Equal(cov.names, c.Parameters) {
		return nil, r.besideError("parameters", "", "differ from the header of "+c.Covariance.File, "calibrate again")
	}
	return cov, nil
}

// Correction loads the map of what static metal adds to the emitters' fields;
// nil when the rig has none. A wrong file is an *Error.
func (r *Rig) Correction() (*correction.Map, error) {
	c := cmp.Or(r.Calibration, &Calibration{})
	text, err := r.beside("correction", c.Correction)
	if text == nil {
		return nil, err
	}
	m, err := correction.Decode(text, len(r.Emitters), r.parameters())
	if err != nil {
		return nil, r.besideError("correction_file", c.Correction.File, err.Error(), "calibrate again")
	}
	return m, nil
}

// parameters counts what a calibration can move: of every emitter, then of every
// coil.
func (r *Rig) parameters() int {
	n := fieldmodels.ParametersPerEmitter * len(r.Emitters)
	for _, s := range r.Sensors {
		n += mutual.ParametersPerCoil * len(s.Coils)
	}
	return n
}

// beside reads a file that the calibration block names, relative to the rig's
// own, and checks its hash. Without a name there is no text.
func (r *Rig) beside(what string, c Companion) ([]byte, error) {
	file := c.File
	if file == "" {
		return nil, nil
	}
	if !filepath.IsAbs(file) {
		file = filepath.Join(filepath.Dir(r.File), file)
	}
	text, err := os.ReadFile(file)
	if err != nil {
		var pe *os.PathError
		if errors.As(err, &pe) {
			err = pe.Err
		}
		return nil, r.besideError(what+"_file", c.File, "cannot be read: "+err.Error(), "keep the "+what+" file beside the rig file")
	}
	if sha256Of(text) != c.SHA256 {
		return nil, r.besideError(what+"_sha256", c.SHA256, "is not the hash of "+c.File, "calibrate again, or restore the file that the calibration wrote")
	}
	return text, nil
}

func (r *Rig) besideError(path, value, message, hint string) error {
	line := 0
	if n := r.root.Get("calibration").Get(path); n != nil {
		line = n.At.Line
	}
	return &Error{File: r.File, Line: line, Path: "calibration." + path, Value: value, Message: message, Hint: hint}
}

var bareText = regexp.MustCompile(`^[A-Za-z_][A-Za-z0-9_.\-/]*$`)

// quoted writes text so that YAML reads it back as the same text.
func quoted(s string) string {
	if bareText.MatchString(s) && s != "null" && s != "Null" && s != "NULL" && !notText.MatchString(s) {
		return s
	}
	return strconv.Quote(s)
}

// yaml writes the block of the rig file.
func (c *Calibration) yaml(newline string) string {
	lines := []string{"calibration:", "  date: " + c.Date.UTC().Format(time.RFC3339)}
	if c.Date.UTC().Truncate(24 * time.Hour).Equal(c.Date) {
		lines[1] = "  date: " + c.Date.UTC().Format(time.DateOnly)
	}
	add := func(key, value string) {
		if value != "" {
			lines = append(lines, "  "+key+": "+quoted(value))
		}
	}
	add("reference_sha256", c.ReferenceSHA256)
	if len(c.Parameters) > 0 {
		lines = append(lines, "  parameters:")
		for _, p := range c.Parameters {
			lines = append(lines, "  - "+quoted(p))
		}
	}
	for what, f := range c.companions {
		add(what+"_file", f.File)
		add(what+"_sha256", f.SHA256)
	}
	return strings.Join(lines, newline) + newline
}
