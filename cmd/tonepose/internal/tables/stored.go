package tables

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels/rigid"
)

// The stored rows carry the columns' names, order and encodings. Nullable
// columns are pointers into the row's own values, so that a buffer of rows
// costs no allocation. A stored row must not be copied once it was filled.

type phasorRow struct {
	Time       float64 `parquet:"time_s,split,zstd"`
	Duration   float64 `parquet:"duration_s,dict,zstd"`
	Channel    string  `parquet:"channel,dict,zstd"`
	Tone       string  `parquet:"tone,dict,zstd"`
	ToneHz     float64 `parquet:"tone_hz,split,zstd"`
	InPhase    float64 `parquet:"in_phase_v,split,zstd"`
	Quadrature float64 `parquet:"quadrature_v,split,zstd"`
	Sigma      float64 `parquet:"sigma_v,split,zstd"`
	Flags      string  `parquet:"flags,dict,zstd"`
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
	flags, err := ParseFlags(r.Flags)
	*p = Phasor{r.Time, r.Duration, r.Channel, r.Tone, r.ToneHz, r.InPhase, r.Quadrature, r.Sigma, flags}
	return err
}

type couplingRow struct {
	Time       float64  `parquet:"time_s,split,zstd"`
	Duration   float64  `parquet:"duration_s,dict,zstd"`
	Emitter    string   `parquet:"emitter,dict,zstd"`
	Sensor     string   `parquet:"sensor,dict,zstd"`
	Channel    string   `parquet:"channel,dict,zstd"`
	Coupling   *float64 `parquet:"coupling_h,split,zstd,optional"`
	Quadrature *float64 `parquet:"quadrature_h,split,zstd,optional"`
	Sigma      *float64 `parquet:"sigma_h,split,zstd,optional"`
	Flags      string   `parquet:"flags,dict,zstd"`

	values [3]float64
}

func (r *couplingRow) put(c *Coupling) error {
	*r = couplingRow{Time: c.Time, Duration: c.Duration, Emitter: c.Emitter, Sensor: c.Sensor, Channel: c.Channel,
		Flags: c.Flags.String(), values: [3]float64{c.Value, c.Quadrature, c.Sigma}}
	r.Coupling, r.Quadrature, r.Sigma = known(&r.values[0]), known(&r.values[1]), known(&r.values[2])
	return nil
}

func (r *couplingRow) get(c *Coupling) error {
	flags, err := ParseFlags(r.Flags)
	*c = Coupling{r.Time, r.Duration, r.Emitter, r.Sensor, r.Channel,
		orNaN(r.Coupling), orNaN(r.Quadrature), orNaN(r.Sigma), flags}
	return err
}

type poseRow struct {
	Time       float64  `parquet:"time_s,split,zstd"`
	Duration   float64  `parquet:"duration_s,dict,zstd"`
	Sensor     string   `parquet:"sensor,dict,zstd"`
	X          *float64 `parquet:"x_m,split,zstd,optional"`
	Y          *float64 `parquet:"y_m,split,zstd,optional"`
	Z          *float64 `parquet:"z_m,split,zstd,optional"`
	QW         *float64 `parquet:"qw,split,zstd,optional"`
	QX         *float64 `parquet:"qx,split,zstd,optional"`
	QY         *float64 `parquet:"qy,split,zstd,optional"`
	QZ         *float64 `parquet:"qz,split,zstd,optional"`
	TipX       *float64 `parquet:"tip_x_m,split,zstd,optional"`
	TipY       *float64 `parquet:"tip_y_m,split,zstd,optional"`
	TipZ       *float64 `parquet:"tip_z_m,split,zstd,optional"`
	SigmaX     *float64 `parquet:"sigma_x_m,split,zstd,optional"`
	SigmaY     *float64 `parquet:"sigma_y_m,split,zstd,optional"`
	SigmaZ     *float64 `parquet:"sigma_z_m,split,zstd,optional"`
	SigmaRX    *float64 `parquet:"sigma_rx_rad,split,zstd,optional"`
	SigmaRY    *float64 `parquet:"sigma_ry_rad,split,zstd,optional"`
	SigmaRZ    *float64 `parquet:"sigma_rz_rad,split,zstd,optional"`
	CovXX      *float64 `parquet:"cov_x_x,split,zstd,optional"`
	CovXY      *float64 `parquet:"cov_x_y,split,zstd,optional"`
	CovXZ      *float64 `parquet:"cov_x_z,split,zstd,optional"`
	CovXRX     *float64 `parquet:"cov_x_rx,split,zstd,optional"`
	CovXRY     *float64 `parquet:"cov_x_ry,split,zstd,optional"`
	CovXRZ     *float64 `parquet:"cov_x_rz,split,zstd,optional"`
	CovYY      *float64 `parquet:"cov_y_y,split,zstd,optional"`
	CovYZ      *float64 `parquet:"cov_y_z,split,zstd,optional"`
	CovYRX     *float64 `parquet:"cov_y_rx,split,zstd,optional"`
	CovYRY     *float64 `parquet:"cov_y_ry,split,zstd,optional"`
	CovYRZ     *float64 `parquet:"cov_y_rz,split,zstd,optional"`
	CovZZ      *float64 `parquet:"cov_z_z,split,zstd,optional"`
	CovZRX     *float64 `parquet:"cov_z_rx,split,zstd,optional"`
	CovZRY     *float64 `parquet:"cov_z_ry,split,zstd,optional"`
	CovZRZ     *float64 `parquet:"cov_z_rz,split,zstd,optional"`
	CovRXRX    *float64 `parquet:"cov_rx_rx,split,zstd,optional"`
	CovRXRY    *float64 `parquet:"cov_rx_ry,split,zstd,optional"`
	CovRXRZ    *float64 `parquet:"cov_rx_rz,split,zstd,optional"`
	CovRYRY    *float64 `parquet:"cov_ry_ry,split,zstd,optional"`
	CovRYRZ    *float64 `parquet:"cov_ry_rz,split,zstd,optional"`
	CovRZRZ    *float64 `parquet:"cov_rz_rz,split,zstd,optional"`
	Chi2       *float64 `parquet:"chi2,split,zstd,optional"`
	DOF        int32    `parquet:"dof,dict,zstd"`
	Iterations int32    `parquet:"iterations,dict,zstd"`
	Status     string   `parquet:"status,dict,zstd"`
	Flags      string   `parquet:"flags,dict,zstd"`

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
	if e := p.Estimate; e != nil {
		r.estimate = [7]float64{e.Position.X, e.Position.Y, e.Position.Z,
			e.Rotation.Real, e.Rotation.Imag, e.Rotation.Jmag, e.Rotation.Kmag}
		for i, dst := range r.estimateColumns() {
			*dst = known(&r.estimate[i])
		}
	}
	if t := p.Tip; t != nil {
		r.tip = [3]float64{t.X, t.Y, t.Z}
		r.TipX, r.TipY, r.TipZ = known(&r.tip[0]), known(&r.tip[1]), known(&r.tip[2])
	}
	if p.Covariance != nil {
		r.cov = *p.Covariance
		for i, dst := range r.covarianceColumns() {
			*dst = known(&r.cov[i])
		}
		for i, dst := range r.sigmaColumns() {
			r.sigma[i] = r.cov.Sigma(i)
			*dst = known(&r.sigma[i])
		}
	}
	return nil
}

// get leaves nil what is NULL in any of its columns.
func (r *poseRow) get(p *Pose) error {
	flags, err := ParseFlags(r.Flags)
	*p = Pose{Time: r.Time, Duration: r.Duration, Sensor: r.Sensor, Chi2: orNaN(r.Chi2),
		DOF: int(r.DOF), Iterations: int(r.Iterations), Status: r.Status, Flags: flags}
	if e := r.estimateColumns(); complete(e[:]) {
		p.Estimate = &rigid.Pose{Position: r3.Vec{X: *r.X, Y: *r.Y, Z: *r.Z},
			Rotation: quat.Number{Real: *r.QW, Imag: *r.QX, Jmag: *r.QY, Kmag: *r.QZ}}
	}
	if r.TipX != nil && r.TipY != nil && r.TipZ != nil {
		p.Tip = &r3.Vec{X: *r.TipX, Y: *r.TipY, Z: *r.TipZ}
	}
	if c := r.covarianceColumns(); complete(c[:]) {
		p.Covariance = new(Covariance)
		for i, src := range c {
			p.Covariance[i] = **src
		}
	}
	return err
}

func (r *poseRow) estimateColumns() [7]**float64 {
	return [7]**float64{&r.X, &r.Y, &r.Z, &r.QW, &r.QX, &r.QY, &r.QZ}
}

func (r *poseRow) sigmaColumns() [6]**float64 {
	return [6]**float64{&r.SigmaX, &r.SigmaY, &r.SigmaZ, &r.SigmaRX, &r.SigmaRY, &r.SigmaRZ}
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

func complete(columns []**float64) bool {
	for _, c := range columns {
		if *c == nil {
			return false
		}
	}
	return true
}

// known returns v, or nil for NaN: no value is NULL, not NaN.
func known(v *float64) *float64 {
	if math.IsNaN(*v) {
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
