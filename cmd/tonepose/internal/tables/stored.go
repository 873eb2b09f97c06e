package tables

import (
	"fmt"
	"math"
	"tonepose/cmd/tonepose/internal/verdict"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels/rigid"
)

// The stored rows carry the columns' names, order and encodings. Nullable
// columns are pointers into the row's own values, so that a buffer of rows
// costs no allocation. A stored row must not be copied once it was filled.
//
// Times and frequencies that all rows of a window repeat are kept once, as
// names are (dict); measured numbers byte by byte (split).

type phasorRow struct {
	Time       float64 `parquet:"time_s,dict"`
	Duration   float64 `parquet:"duration_s,dict"`
	Channel    string  `parquet:"channel,dict"`
	Tone       string  `parquet:"tone,dict"`
	ToneHz     float64 `parquet:"tone_hz,dict"`
	InPhase    float64 `parquet:"in_phase_v,split"`
	Quadrature float64 `parquet:"quadrature_v,split"`
	Sigma      float64 `parquet:"sigma_v,split"`
	Flags      string  `parquet:"flags,dict"`
}

func (r *phasorRow) put(p *Phasor) error {
	// x−x is 0 for every finite x, NaN for the others.
	if s := p.ToneHz + p.InPhase + p.Quadrature + p.Sigma; s-s != 0 {
		return fmt.Errorf("phasor of tone %s on channel %s at %g s: %g Hz, %g + j %g V, sigma %g V: must be finite",
			p.Tone, p.Channel, p.Time, p.ToneHz, p.InPhase, p.Quadrature, p.Sigma)
	}
	*r = phasorRow{p.Time, p.Duration, p.Channel, p.Tone, p.ToneHz, p.InPhase, p.Quadrature, p.Sigma, p.Flags.String()}
	return nil
}

func (r *phasorRow) get(p *Phasor) error {
	flags, err := verdict.ParseFlags(r.Flags)
	*p = Phasor{r.Time, r.Duration, r.Channel, r.Tone, r.ToneHz, r.InPhase, r.Quadrature, r.Sigma, flags}
	return err
}

type couplingRow struct {
	Time       float64  `parquet:"time_s,dict"`
	Duration   float64  `parquet:"duration_s,dict"`
	Emitter    string   `parquet:"emitter,dict"`
	Sensor     string   `parquet:"sensor,dict"`
	Channel    string   `parquet:"channel,dict"`
	Coupling   *float64 `parquet:"coupling_h,split,optional"`
	Quadrature *float64 `parquet:"quadrature_h,split,optional"`
	Sigma      *float64 `parquet:"sigma_h,split,optional"`
	Flags      string   `parquet:"flags,dict"`

	values [3]float64
}

func (r *couplingRow) put(c *Coupling) error {
	*r = couplingRow{Time: c.Time, Duration: c.Duration, Emitter: c.Emitter, Sensor: c.Sensor, Channel: c.Channel,
		Flags: c.Flags.String(), values: [3]float64{c.Value, c.Quadrature, c.Sigma}}
	r.Coupling, r.Quadrature, r.Sigma = known(&r.values[0]), known(&r.values[1]), known(&r.values[2])
	return nil
}

func (r *couplingRow) get(c *Coupling) error {
	flags, err := verdict.ParseFlags(r.Flags)
	*c = Coupling{r.Time, r.Duration, r.Emitter, r.Sensor, r.Channel,
		orNaN(r.Coupling), orNaN(r.Quadrature), orNaN(r.Sigma), flags}
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

	estimate [7]float64
	tip      [3]float64
	sigma    [6]float64
	cov      Covariance
	chi2     float64
}

func (r *poseRow) put(p *Pose) error {
	*r = poseRow{Time: p.Time, Duration: p.Duration, Sensor: p.Sensor,
		DOF: int32(p.DOF), Iterations: int32(p.Iterations), Status: p.Status, Flags: p.Flags.String(), chi2: p.Chi2}
	r.Chi2 = known(&r.chi2)
	if p.Estimate != nil {
		r.estimate = poseNumbers(p.Estimate)
		columns := r.estimateColumns()
		link(columns[:], r.estimate[:])
	}
	if t := p.Tip; t != nil {
		r.tip = [3]float64{t.X, t.Y, t.Z}
		link([]**float64{&r.TipX, &r.TipY, &r.TipZ}, r.tip[:])
	}
	if p.Covariance != nil {
		r.cov = *p.Covariance
		for i := range r.sigma {
			r.sigma[i] = r.cov.Sigma(i)
		}
		columns := r.covarianceColumns()
		link(columns[:], r.cov[:])
		link([]**float64{&r.SigmaX, &r.SigmaY, &r.SigmaZ, &r.SigmaRX, &r.SigmaRY, &r.SigmaRZ}, r.sigma[:])
	}
	return nil
}

// get leaves nil what is NULL in any of its columns.
func (r *poseRow) get(p *Pose) error {
	flags, err := verdict.ParseFlags(r.Flags)
	*p = Pose{Time: r.Time, Duration: r.Duration, Sensor: r.Sensor, Chi2: orNaN(r.Chi2),
		DOF: int(r.DOF), Iterations: int(r.Iterations), Status: r.Status, Flags: flags}
	if columns := r.estimateColumns(); unlink(r.estimate[:], columns[:]) {
		p.Estimate = poseOf(r.estimate)
	}
	if unlink(r.tip[:], []**float64{&r.TipX, &r.TipY, &r.TipZ}) {
		p.Tip = &r3.Vec{X: r.tip[0], Y: r.tip[1], Z: r.tip[2]}
	}
	if columns := r.covarianceColumns(); unlink(r.cov[:], columns[:]) {
		c := r.cov
		p.Covariance = &c
	}
	return err
}

func (r *poseRow) estimateColumns() [7]**float64 {
	return [7]**float64{&r.X, &r.Y, &r.Z, &r.QW, &r.QX, &r.QY, &r.QZ}
}

func (r *poseRow) covarianceColumns() [21]**float64 {
	return [21]**float64{
		&r.CovXX, &r.CovXY, &r.CovXZ, &r.CovXRX, &r.CovXRY, &r.CovXRZ,
		&r.CovYY, &r.CovYZ, &r.CovYRX, &r.CovYRY, &r.CovYRZ,
		&r.CovZZ, &r.CovZRX, &r.CovZRY, &r.CovZRZ,
		&r.CovRXRX, &r.CovRXRY, &r.CovRXRZ,
		&r.CovRYRY, &r.CovRYRZ,
		&r.CovRZRZ,
	}
}

// poseNumbers are a pose's columns: position, then quaternion.
func poseNumbers(p *rigid.Pose) [7]float64 {
	return [7]float64{p.Position.X, p.Position.Y, p.Position.Z, p.Rotation.Real, p.Rotation.Imag, p.Rotation.Jmag, p.Rotation.Kmag}
}

func poseOf(v [7]float64) *rigid.Pose {
	return &rigid.Pose{Position: r3.Vec{X: v[0], Y: v[1], Z: v[2]}, Rotation: quat.Number{Real: v[3], Imag: v[4], Jmag: v[5], Kmag: v[6]}}
}

// link points columns to values, each to its own.
func link(columns []**float64, values []float64) {
	for i, c := range columns {
		*c = known(&values[i])
	}
}

// unlink copies what columns point to, NaN for NULL, and tells whether none is.
func unlink(values []float64, columns []**float64) bool {
	whole := true
	for i, c := range columns {
		values[i] = orNaN(*c)
		whole = whole && *c != nil
	}
	return whole
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
