package tables

import (
	"fmt"
	"math"

	"tonepose/cmd/tonepose/internal/verdict"
)

// DemodulatedName is the table of a measurement without a rig: one signal
// against one reference.
const DemodulatedName = "demodulated"

// Demodulated is one harmonic of the reference's tone on the signal in one
// window. NaN in Phase, Unwrapped or SigmaPhase stands for "no value" (the
// signal or the reference is lost in noise) and is NULL in the table.
type Demodulated struct {
	Time       float64       `parquet:"time_s,split,zstd"`       // centre of the window [s]
	Duration   float64       `parquet:"duration_s,dict,zstd"`    // [s]
	Signal     string        `parquet:"signal,dict,zstd"`        // channel
	Reference  string        `parquet:"reference,dict,zstd"`     // channel
	Harmonic   int32         `parquet:"harmonic,dict,zstd"`      // of the reference's tone
	Hz         float64       `parquet:"harmonic_hz,split,zstd"`  // of that harmonic, in the converter's clock
	InPhase    float64       `parquet:"in_phase_v,split,zstd"`   // peak [V]
	Quadrature float64       `parquet:"quadrature_v,split,zstd"` // peak [V]
	Amplitude  float64       `parquet:"amplitude_v,split,zstd"`  // peak [V]
	Phase      float64       `parquet:"-"`                       // signal minus Harmonic times the reference [°], −180 to 180
	Unwrapped  float64       `parquet:"-"`                       // the same without jumps from row to row [°]
	Sigma      float64       `parquet:"-"`                       // one standard deviation of each component [V]; infinite: no sample is left
	SigmaPhase float64       `parquet:"-"`                       // [°]
	Flags      verdict.Flags `parquet:"-"`
}

type demodulatedRow struct {
	Demodulated
	Degrees    *float64 `parquet:"phase_deg,split,zstd,optional"`
	Continuous *float64 `parquet:"unwrapped_deg,split,zstd,optional"`
	Error      float64  `parquet:"sigma_v,split,zstd"`
	PhaseError *float64 `parquet:"sigma_phase_deg,split,zstd,optional"`
	Names      string   `parquet:"flags,dict,zstd"`
}

func (r *demodulatedRow) store(d *Demodulated) error {
	if s := d.Hz + d.InPhase + d.Quadrature; s-s != 0 || !(d.Sigma > math.Inf(-1)) {
		return fmt.Errorf("harmonic %d of %s on channel %s at %g s: %g Hz, %g + j %g V, sigma %g V: must be finite",
			d.Harmonic, d.Reference, d.Signal, d.Time, d.Hz, d.InPhase, d.Quadrature, d.Sigma)
	}
	*r = demodulatedRow{Demodulated: *d, Error: d.Sigma, Names: d.Flags.String()}
	r.Degrees, r.Continuous, r.PhaseError = known(&r.Phase), known(&r.Unwrapped), known(&r.SigmaPhase)
	return nil
}

func (r *demodulatedRow) load(d *Demodulated) (err error) {
	*d = r.Demodulated
	d.Phase, d.Unwrapped, d.Sigma, d.SigmaPhase = orNaN(r.Degrees), orNaN(r.Continuous), r.Error, orNaN(r.PhaseError)
	d.Flags, err = verdict.ParseFlags(r.Names)
	return err
}
