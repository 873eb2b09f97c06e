package tables

import (
	"fmt"

	"tonepose/cmd/tonepose/internal/verdict"
)

// DemodulatedName is the table of a measurement without a rig: one signal
// against one reference.
const DemodulatedName = "demodulated"

// Demodulated is one harmonic of the reference's tone on the signal in one
// window. NaN in Phase, Unwrapped or SigmaPhase stands for "no value" (the
// signal or the reference is lost in noise) and is NULL in the table.
type Demodulated struct {
	Time       float64 // centre of the window [s]
	Duration   float64 // [s]
	Signal     string  // channel
	Reference  string  // channel
	Harmonic   int     // of the reference's tone
	Hz         float64 // of that harmonic, in the converter's clock
	InPhase    float64 // peak [V]
	Quadrature float64 // peak [V]
	Amplitude  float64 // peak [V]
	Phase      float64 // signal minus Harmonic times the reference [°], −180 to 180
	Unwrapped  float64 // the same without jumps from row to row [°]
	Sigma      float64 // one standard deviation of each component [V]
	SigmaPhase float64 // [°]
	Flags      verdict.Flags
}

type demodulatedRow struct {
	Time       float64  `parquet:"time_s,split,zstd"`
	Duration   float64  `parquet:"duration_s,dict,zstd"`
	Signal     string   `parquet:"signal,dict,zstd"`
	Reference  string   `parquet:"reference,dict,zstd"`
	Harmonic   int32    `parquet:"harmonic,dict,zstd"`
	Hz         float64  `parquet:"harmonic_hz,split,zstd"`
	InPhase    float64  `parquet:"in_phase_v,split,zstd"`
	Quadrature float64  `parquet:"quadrature_v,split,zstd"`
	Amplitude  float64  `parquet:"amplitude_v,split,zstd"`
	Phase      *float64 `parquet:"phase_deg,split,zstd,optional"`
	Unwrapped  *float64 `parquet:"unwrapped_deg,split,zstd,optional"`
	Sigma      float64  `parquet:"sigma_v,split,zstd"`
	SigmaPhase *float64 `parquet:"sigma_phase_deg,split,zstd,optional"`
	Flags      string   `parquet:"flags,dict,zstd"`

	values [3]float64
}

func (r *demodulatedRow) put(d *Demodulated) error {
	if s := d.Hz + d.InPhase + d.Quadrature + d.Sigma; s-s != 0 {
		return fmt.Errorf("harmonic %d of %s on channel %s at %g s: %g Hz, %g + j %g V, sigma %g V: must be finite",
			d.Harmonic, d.Reference, d.Signal, d.Time, d.Hz, d.InPhase, d.Quadrature, d.Sigma)
	}
	*r = demodulatedRow{Time: d.Time, Duration: d.Duration, Signal: d.Signal, Reference: d.Reference, Harmonic: int32(d.Harmonic), Hz: d.Hz,
		InPhase: d.InPhase, Quadrature: d.Quadrature, Amplitude: d.Amplitude, Sigma: d.Sigma, Flags: d.Flags.String(),
		values: [3]float64{d.Phase, d.Unwrapped, d.SigmaPhase}}
	r.Phase, r.Unwrapped, r.SigmaPhase = known(&r.values[0]), known(&r.values[1]), known(&r.values[2])
	return nil
}

func (r *demodulatedRow) get(d *Demodulated) error {
	flags, err := verdict.ParseFlags(r.Flags)
	*d = Demodulated{r.Time, r.Duration, r.Signal, r.Reference, int(r.Harmonic), r.Hz, r.InPhase, r.Quadrature, r.Amplitude,
		orNaN(r.Phase), orNaN(r.Unwrapped), r.Sigma, orNaN(r.SigmaPhase), flags}
	return err
}
