// Package tables keeps results in Parquet tables (phasors, couplings, poses and
// what these are worth), each with its provenance, and reads them back; it also
// reads the CSV files that say when and where: intervals, references and truth.
//
// A run creates a Set, writes rows to its Phasors, Couplings and Poses, and
// commits: the tables then appear together, or not at all. Open checks a
// table's columns before it reads one. Tables are tidy: one row an
// observation, units in the column names, SI throughout.
package tables

import (
	"math"
	"tonepose/cmd/tonepose/internal/verdict"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels/rigid"
)

// The tables' names: also their files' names without ".parquet".
const (
	PhasorsName   = "phasors"
	CouplingsName = "couplings"
	PosesName     = "poses"
)

// Phasor is one tone on one channel in one window, at the converter's input.
// All numbers are finite: a phasor that could not be measured has no row.
type Phasor struct {
	Time       float64       `parquet:"time_s,dict"`     // centre of the window [s]
	Duration   float64       `parquet:"duration_s,dict"` // [s]
	Channel    string        `parquet:"channel,dict"`
	Tone       string        `parquet:"tone,dict"`          // the emitter's name
	ToneHz     float64       `parquet:"tone_hz,dict"`       // measured, in the converter's clock
	InPhase    float64       `parquet:"in_phase_v,split"`   // peak [V]
	Quadrature float64       `parquet:"quadrature_v,split"` // peak [V]
	Sigma      float64       `parquet:"sigma_v,split"`      // one standard deviation of each component [V]; +Inf: no sample is left
	Flags      verdict.Flags `parquet:"-"`
}

// Coupling is the complex mutual inductance of one emitter and one coil in one
// window. NaN in Value, Quadrature or Sigma stands for "no value" (the drive
// current was lost) and is NULL in the table.
type Coupling struct {
	Time       float64       `parquet:"time_s,dict"`     // centre of the window [s]
	Duration   float64       `parquet:"duration_s,dict"` // [s]
	Emitter    string        `parquet:"emitter,dict"`
	Sensor     string        `parquet:"sensor,dict"`
	Channel    string        `parquet:"channel,dict"` // the coil's channel
	Value      float64       `parquet:"-"`            // Re M [H]
	Quadrature float64       `parquet:"-"`            // Im M [H]
	Sigma      float64       `parquet:"-"`            // one standard deviation of each component [H]
	Flags      verdict.Flags `parquet:"-"`
}

// Pose is one sensor in one window. What its pointers leave out is NULL.
type Pose struct {
	Time       float64 // centre of the window [s]
	Duration   float64 // [s]
	Sensor     string
	Estimate   *rigid.Pose // sensor to rig frame; nil: no pose came out, or one that the couplings do not fix
	Tip        *r3.Vec     // the sensor's point of interest, rig frame [m]; nil: it has none
	Covariance *Covariance // nil: rank-deficient beyond the known freedom, or no pose
	Chi2       float64     // weighted sum of squared residuals; NaN: nothing was fitted
	DOF        int         // degrees of freedom of Chi2
	Iterations int
	Status     string
	Flags      verdict.Flags
	Live       *Live // nil: from a recording
}

// Live is how a pose of a live stream came.
type Live struct {
	Latency float64 // from the arrival of the window's last sample to its row [s]; NaN: not known
	Skipped int     // windows skipped just before this one
}

// Covariance is the upper triangle, row by row, of the 6×6 covariance of a
// pose over x y z [m] and rx ry rz [rad], the small rotation δ being in the rig
// frame: q_true = exp(δ/2)·q.
type Covariance [21]float64

// At returns the element at row i and column j, 0 to 5.
func (c *Covariance) At(i, j int) float64 { return c[upperIndex(i, j)] }

// Set stores v at row i and column j and, the matrix being symmetric, at j, i.
func (c *Covariance) Set(i, j int, v float64) { c[upperIndex(i, j)] = v }

// Sigma returns the standard deviation of component i. A variance that
// rounding made negative counts as zero.
func (c *Covariance) Sigma(i int) float64 {
	return math.Sqrt(max(c[upperIndex(i, i)], 0))
}

// upperIndex counts the elements of the upper triangle before (i, j), or before
// (j, i) if that is in it.
func upperIndex(i, j int) int {
	i, j = min(i, j), max(i, j)
	return i*(11-i)/2 + j
}
