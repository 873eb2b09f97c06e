package tables

import (
	"fmt"
	"iter"
	"math"
	"reflect"
	"slices"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/verdict"
	"tonepose/fieldmodels/rigid"
)

// The stored rows carry the columns' names, order and encodings. Nullable
// columns are pointers into the row's own values, so that a buffer of rows
// costs no allocation. A stored row must not be copied once it was filled.
//
// Times and frequencies that all rows of a window repeat are kept once, as
// names are (dict); measured numbers byte by byte (split).

type phasorRow struct {
	Phasor
	Names string `parquet:"flags,dict"`
}

func (r *phasorRow) store(p *Phasor) error {
	// x−x is 0 for every finite x, NaN for the others.
	if s := p.ToneHz + p.InPhase + p.Quadrature; s-s != 0 || !(p.Sigma > math.Inf(-1)) {
		return fmt.Errorf("phasor of tone %s on channel %s at %g s: %g Hz, %g + j %g V, sigma %g V: must be finite",
			p.Tone, p.Channel, p.Time, p.ToneHz, p.InPhase, p.Quadrature, p.Sigma)
	}
	*r = phasorRow{*p, p.Flags.String()}
	return nil
}

func (r *phasorRow) load(p *Phasor) (err error) {
	*p = r.Phasor
	p.Flags, err = verdict.ParseFlags(r.Names)
	return err
}

type couplingRow struct {
	Coupling
	Real  *float64 `parquet:"coupling_h,split,optional"`
	Imag  *float64 `parquet:"quadrature_h,split,optional"`
	Error *float64 `parquet:"sigma_h,split,optional"`
	Names string   `parquet:"flags,dict"`
}

func (r *couplingRow) store(c *Coupling) error {
	*r = couplingRow{Coupling: *c, Names: c.Flags.String()}
	r.Real, r.Imag, r.Error = known(&r.Value), known(&r.Quadrature), known(&r.Sigma)
	return nil
}

func (r *couplingRow) load(c *Coupling) (err error) {
	*c = r.Coupling
	c.Value, c.Quadrature, c.Sigma = orNaN(r.Real), orNaN(r.Imag), orNaN(r.Error)
	c.Flags, err = verdict.ParseFlags(r.Names)
	return err
}

type poseRow struct {
	Time       float64  `parquet:"time_s,split"`
	Duration   float64  `parquet:"duration_s,dict"`
	Sensor     string   `parquet:"sensor,dict"`
	X          *float64 `parquet:"x_m,split,optional"`
	Y          *float64 `parquet:"y_m,split,optional"`
	Z          *float64 `parquet:"z_m,split,optional"`
	QW         *float64 `parquet:"qw,split,optional"`
	QX         *float64 `parquet:"qx,split,optional"`
	QY         *float64 `parquet:"qy,split,optional"`
	QZ         *float64 `parquet:"qz,split,optional"`
	TipX       *float64 `parquet:"tip_x_m,split,optional"`
	TipY       *float64 `parquet:"tip_y_m,split,optional"`
	TipZ       *float64 `parquet:"tip_z_m,split,optional"`
	SigmaX     *float64 `parquet:"sigma_x_m,split,optional"`
	SigmaY     *float64 `parquet:"sigma_y_m,split,optional"`
	SigmaZ     *float64 `parquet:"sigma_z_m,split,optional"`
	SigmaRX    *float64 `parquet:"sigma_rx_rad,split,optional"`
	SigmaRY    *float64 `parquet:"sigma_ry_rad,split,optional"`
	SigmaRZ    *float64 `parquet:"sigma_rz_rad,split,optional"`
	CovXX      *float64 `parquet:"cov_x_x,split,optional"`
	CovXY      *float64 `parquet:"cov_x_y,split,optional"`
	CovXZ      *float64 `parquet:"cov_x_z,split,optional"`
	CovXRX     *float64 `parquet:"cov_x_rx,split,optional"`
	CovXRY     *float64 `parquet:"cov_x_ry,split,optional"`
	CovXRZ     *float64 `parquet:"cov_x_rz,split,optional"`
	CovYY      *float64 `parquet:"cov_y_y,split,optional"`
	CovYZ      *float64 `parquet:"cov_y_z,split,optional"`
	CovYRX     *float64 `parquet:"cov_y_rx,split,optional"`
	CovYRY     *float64 `parquet:"cov_y_ry,split,optional"`
	CovYRZ     *float64 `parquet:"cov_y_rz,split,optional"`
	CovZZ      *float64 `parquet:"cov_z_z,split,optional"`
	CovZRX     *float64 `parquet:"cov_z_rx,split,optional"`
	CovZRY     *float64 `parquet:"cov_z_ry,split,optional"`
	CovZRZ     *float64 `parquet:"cov_z_rz,split,optional"`
	CovRXRX    *float64 `parquet:"cov_rx_rx,split,optional"`
	CovRXRY    *float64 `parquet:"cov_rx_ry,split,optional"`
	CovRXRZ    *float64 `parquet:"cov_rx_rz,split,optional"`
	CovRYRY    *float64 `parquet:"cov_ry_ry,split,optional"`
	CovRYRZ    *float64 `parquet:"cov_ry_rz,split,optional"`
	CovRZRZ    *float64 `parquet:"cov_rz_rz,split,optional"`
	Chi2       *float64 `parquet:"chi2,split,optional"`
	DOF        int32    `parquet:"dof,dict"`
	Iterations int32    `parquet:"iterations,dict"`
	Status     string   `parquet:"status,dict"`
	Flags      string   `parquet:"flags,dict"`
	Latency    *float64 `parquet:"latency_s,split,optional"`
	Skipped    *int32   `parquet:"skipped_windows,dict,optional"`

	values  [39]float64 // estimate, tip, sigmas, covariance, chi2, latency
	skipped int32
	columns []**float64 // the nullable columns of these values
}

func (r *poseRow) store(p *Pose) error {
	*r = poseRow{Time: p.Time, Duration: p.Duration, Sensor: p.Sensor, DOF: int32(p.DOF), Iterations: int32(p.Iterations),
		Status: p.Status, Flags: p.Flags.String(), columns: columnsOf(r, r.columns)}
	v := &r.values
	for i := range v {
		v[i] = math.NaN()
	}
	if p.Estimate != nil {
		*(*[7]float64)(v[:]) = poseNumbers(p.Estimate)
	}
	if p.Tip != nil {
		v[7], v[8], v[9] = p.Tip.X, p.Tip.Y, p.Tip.Z
	}
	if c := p.Covariance; c != nil {
		for i := range 6 {
			v[10+i] = c.Sigma(i)
		}
		*(*Covariance)(v[16:37]) = *c
	}
	v[37] = p.Chi2
	if live := p.Live; live != nil {
		v[38], r.skipped = live.Latency, int32(live.Skipped)
		r.Skipped = &r.skipped
	}
	link(r.columns, v[:])
	return nil
}

// load leaves nil what is NULL in any of its columns.
func (r *poseRow) load(p *Pose) error {
	flags, err := verdict.ParseFlags(r.Flags)
	*p = Pose{Time: r.Time, Duration: r.Duration, Sensor: r.Sensor, Chi2: orNaN(r.Chi2),
		DOF: int(r.DOF), Iterations: int(r.Iterations), Status: r.Status, Flags: flags}
	v := r.values[:]
	unlink(v, r)
	if !floats.HasNaN(v[:7]) {
		p.Estimate = poseOf([7]float64(v))
	}
	if !floats.HasNaN(v[7:10]) {
		p.Tip = &r3.Vec{X: v[7], Y: v[8], Z: v[9]}
	}
	if c := Covariance(v[16:37]); !floats.HasNaN(c[:]) {
		p.Covariance = &c
	}
	if r.Skipped != nil {
		p.Live = &Live{Latency: orNaN(r.Latency), Skipped: int(*r.Skipped)}
	}
	return err
}

// poseNumbers are a pose's columns: position, then quaternion.
func poseNumbers(p *rigid.Pose) [7]float64 {
	return [7]float64{p.Position.X, p.Position.Y, p.Position.Z, p.Rotation.Real, p.Rotation.Imag, p.Rotation.Jmag, p.Rotation.Kmag}
}

func poseOf(v [7]float64) *rigid.Pose {
	return &rigid.Pose{Position: r3.Vec{X: v[0], Y: v[1], Z: v[2]}, Rotation: quat.Number{Real: v[3], Imag: v[4], Jmag: v[5], Kmag: v[6]}}
}

var number = reflect.TypeFor[*float64]()

// nullable yields the nullable columns of numbers of a stored row, in their order.
func nullable(row any) iter.Seq[**float64] {
	return func(yield func(**float64) bool) {
		fields := reflect.ValueOf(row).Elem()
		for i := range fields.NumField() {
			if f := fields.Field(i); f.Type() == number && !yield(f.Addr().Interface().(**float64)) {
				return
			}
		}
	}
}

// columnsOf are the nullable columns of a row, if they are not known already: a row stays
// in its place, so that they are looked for once.
func columnsOf(row any, known []**float64) []**float64 {
	if known != nil {
		return known
	}
	return slices.Collect(nullable(row))
}

// link points the nullable columns to their values.
func link(columns []**float64, values []float64) {
	for i, c := range columns {
		*c = known(&values[i])
	}
}

// unlink copies what the nullable columns point to, NaN for NULL.
func unlink(values []float64, row any) {
	i := 0
	for c := range nullable(row) {
		values[i] = orNaN(*c)
		i++
	}
}

// known returns v, or nil where it is no number.
func known(v *float64) *float64 {
	if !IsNumber(*v) {
		return nil
	}
	return v
}

func orNaN(v *float64) float64 {
	if v == nil {
		return math.NaN()
	}
	return *v
}
