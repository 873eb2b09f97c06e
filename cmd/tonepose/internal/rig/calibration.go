package rig

import (
	"bytes"
	"crypto/sha256"
	"encoding/csv"
	"encoding/hex"
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

	"tonepose/fieldmodels"
	"tonepose/fieldmodels/correction"
	"tonepose/fieldmodels/mutual"
)

// Calibration says where a rig's calibrated values come from.
type Calibration struct {
	Date             time.Time
	ReferenceSHA256  string   // of the file of reference poses; may be empty
	Parameters       []string // rows and columns of the covariance
	CovarianceFile   string   // relative to the rig file; empty when there is none
	CovarianceSHA256 string
	CorrectionFile   string // map of what static metal adds; relative to the rig file; empty when there is none
	CorrectionSHA256 string
}

// EmitterParameters names the parameters of an emitter in a covariance, in the
// order of fieldmodels.ParametersPerEmitter. A covariance may name others too,
// which Rig.Array passes over.
func EmitterParameters(emitter string) [fieldmodels.ParametersPerEmitter]string {
	p := "emitters." + emitter + "."
	return [...]string{p + "shift_x_m", p + "shift_y_m", p + "shift_z_m", p + "tilt_x_rad", p + "tilt_y_rad", p + "tilt_z_rad", p + "strength"}
}

// CoilParameters names the parameters of a sensor's coil, known by its channel,
// in the order of mutual.ParametersPerCoil.
func CoilParameters(sensor, channel string) [mutual.ParametersPerCoil]string {
	p := "sensors." + sensor + "." + channel + "."
	return [...]string{p + "shift_x_m", p + "shift_y_m", p + "shift_z_m", p + "tilt_x_rad", p + "tilt_y_rad", p + "tilt_z_rad", p + "sensitivity"}
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
	c.CovarianceFile, c.CovarianceSHA256, c.CorrectionFile, c.CorrectionSHA256 = "", "", "", ""
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
				return nil, fmt.Errorf("line %d, %s = %s: must be a finite number", i+2, rows[0][j], shorten(field))
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
	c := r.Calibration
	if c == nil || c.CovarianceFile == "" {
		return nil, nil
	}
	text, err := r.beside("covariance", c.CovarianceFile, c.CovarianceSHA256)
	if err != nil {
		return nil, err
	}
	cov, err := readCovariance(text)
	if err != nil {
		return nil, r.besideError("covariance_file", c.CovarianceFile, err.Error(), "calibrate again")
	}
	if !slices.Equal(cov.names, c.Parameters) {
		return nil, r.besideError("parameters", "", "differ from the header of "+c.CovarianceFile, "calibrate again")
	}
	return cov, nil
}

// Correction loads the map of what static metal adds to the emitters' fields;
// nil when the rig has none. A wrong file is an *Error.
func (r *Rig) Correction() (*correction.Map, error) {
	c := r.Calibration
	if c == nil || c.CorrectionFile == "" {
		return nil, nil
	}
	text, err := r.beside("correction", c.CorrectionFile, c.CorrectionSHA256)
	if err != nil {
		return nil, err
	}
	m, err := correction.Decode(text, len(r.Emitters), r.parameters())
	if err != nil {
		return nil, r.besideError("correction_file", c.CorrectionFile, err.Error(), "calibrate again")
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
// own, and checks its hash.
func (r *Rig) beside(what, file, hash string) ([]byte, error) {
	text, err := os.ReadFile(r.pathOf(file))
	if err != nil {
		var pe *os.PathError
		if errors.As(err, &pe) {
			err = pe.Err
		}
		return nil, r.besideError(what+"_file", file, "cannot be read: "+err.Error(), "keep the "+what+" file beside the rig file")
	}
	if sum := sha256.Sum256(text); hex.EncodeToString(sum[:]) != hash {
		return nil, r.besideError(what+"_sha256", hash, "is not the hash of "+file, "calibrate again, or restore the file that the calibration wrote")
	}
	return text, nil
}

func (r *Rig) pathOf(file string) string {
	if filepath.IsAbs(file) {
		return file
	}
	return filepath.Join(filepath.Dir(r.File), file)
}

func (r *Rig) besideError(path, value, message, hint string) error {
	line := 0
	if n := r.root.get("calibration").get(path); n != nil {
		line = n.at.line
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
	add("covariance_file", c.CovarianceFile)
	add("covariance_sha256", c.CovarianceSHA256)
	add("correction_file", c.CorrectionFile)
	add("correction_sha256", c.CorrectionSHA256)
	return strings.Join(lines, newline) + newline
}
