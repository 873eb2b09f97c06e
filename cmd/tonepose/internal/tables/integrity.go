package tables

import (
	"math"

	"tonepose/cmd/tonepose/internal/verdict"
)

// IntegrityName is the table of what the fits of poses are worth.
const IntegrityName = "integrity"

// Integrity judges one pose. NaN in a number stands for "no value" and is NULL
// in the table.
type Integrity struct {
	Time     float64 // centre of the window [s]
	Duration float64 // [s]
	Sensor   string
	verdict.Verdict
	Flags verdict.Flags
}

type integrityRow struct {
	Time           float64  `parquet:"time_s,split,zstd"`
	Duration       float64  `parquet:"duration_s,dict,zstd"`
	Sensor         string   `parquet:"sensor,dict,zstd"`
	Chi2           *float64 `parquet:"chi2,split,zstd,optional"`
	DOF            int32    `parquet:"dof,dict,zstd"`
	QuadratureChi2 *float64 `parquet:"quadrature_chi2,split,zstd,optional"`
	QuadratureDOF  int32    `parquet:"quadrature_dof,dict,zstd"`
	Spread         *float64 `parquet:"spread_m,split,zstd,optional"`
	PositionError  *float64 `parquet:"position_error_m,split,zstd,optional"`
	RotationError  *float64 `parquet:"rotation_error_rad,split,zstd,optional"`
	RunnerUpX      *float64 `parquet:"runner_up_x_m,split,zstd,optional"`
	RunnerUpY      *float64 `parquet:"runner_up_y_m,split,zstd,optional"`
	RunnerUpZ      *float64 `parquet:"runner_up_z_m,split,zstd,optional"`
	RunnerUpQW     *float64 `parquet:"runner_up_qw,split,zstd,optional"`
	RunnerUpQX     *float64 `parquet:"runner_up_qx,split,zstd,optional"`
	RunnerUpQY     *float64 `parquet:"runner_up_qy,split,zstd,optional"`
	RunnerUpQZ     *float64 `parquet:"runner_up_qz,split,zstd,optional"`
	RunnerUpRatio  *float64 `parquet:"runner_up_ratio,split,zstd,optional"`
	Nonlinearity   *float64 `parquet:"nonlinearity,split,zstd,optional"`
	LowX           *float64 `parquet:"low_x_m,split,zstd,optional"`
	HighX          *float64 `parquet:"high_x_m,split,zstd,optional"`
	LowY           *float64 `parquet:"low_y_m,split,zstd,optional"`
	HighY          *float64 `parquet:"high_y_m,split,zstd,optional"`
	LowZ           *float64 `parquet:"low_z_m,split,zstd,optional"`
	HighZ          *float64 `parquet:"high_z_m,split,zstd,optional"`
	Growth         *float64 `parquet:"misfit_growth,dict,zstd,optional"`
	Finding        string   `parquet:"finding,dict,zstd"`
	Flags          string   `parquet:"flags,dict,zstd"`
	State          *string  `parquet:"state,dict,zstd,optional"`

	values  [21]float64
	columns []**float64 // the nullable columns of these values
}

// states are the names of the states, to point to.
var states = [...]string{verdict.Sound.String(), verdict.InDoubt.String(), verdict.Flagged.String()}

// numbers are where the values of the nullable columns are kept, in their
// order: those of the runner-up's pose and ratio apart.
func (v *Integrity) numbers(runnerUp *[8]float64) [21]*float64 {
	return [21]*float64{&v.Chi2, &v.QuadratureChi2, &v.Spread, &v.PositionError, &v.RotationError,
		&runnerUp[0], &runnerUp[1], &runnerUp[2], &runnerUp[3], &runnerUp[4], &runnerUp[5], &runnerUp[6], &runnerUp[7],
		&v.Nonlinearity, &v.Low[0], &v.High[0], &v.Low[1], &v.High[1], &v.Low[2], &v.High[2], &v.Growth}
}

func (r *integrityRow) store(v *Integrity) error {
	*r = integrityRow{Time: v.Time, Duration: v.Duration, Sensor: v.Sensor, DOF: int32(v.DOF), QuadratureDOF: int32(v.QuadratureDOF),
		Finding: v.Finding, Flags: v.Flags.String(), columns: columnsOf(r, r.columns)}
	r.State = &states[v.State(v.Flags)]
	nan := math.NaN()
	runnerUp := [8]float64{nan, nan, nan, nan, nan, nan, nan, nan}
	if v.RunnerUp != nil {
		*(*[7]float64)(runnerUp[:]) = poseNumbers(v.RunnerUp)
		runnerUp[7] = v.RunnerUpRatio
	}
	for i, n := range v.numbers(&runnerUp) {
		r.values[i] = *n
	}
	link(r.columns, r.values[:])
	return nil
}

func (r *integrityRow) load(v *Integrity) error {
	flags, err := verdict.ParseFlags(r.Flags)
	*v = Integrity{Time: r.Time, Duration: r.Duration, Sensor: r.Sensor, Flags: flags,
		Verdict: verdict.Verdict{DOF: int(r.DOF), QuadratureDOF: int(r.QuadratureDOF), Finding: r.Finding}}
	unlink(r.values[:], r)
	var runnerUp [8]float64
	for i, n := range v.numbers(&runnerUp) {
		*n = r.values[i]
	}
	v.RunnerUpRatio = runnerUp[7]
	if r.RunnerUpX != nil {
		v.RunnerUp = poseOf([7]float64(runnerUp[:]))
	}
	return err
}
