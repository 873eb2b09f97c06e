package subject

import (
	"math"
	"sync"

	"tonepose/cmd/tonepose/internal/pyramid"
	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/cmd/tonepose/internal/verdict"
	"tonepose/fieldmodels/rigid"
)

// The columns of a track, which the page asks for by name.
const (
	ColumnX = iota
	ColumnY
	ColumnZ
	ColumnRX
	ColumnRY
	ColumnRZ
	ColumnSigma
	ColumnSigmaTurn
	ColumnError
	ColumnErrorTurn
	ColumnChi2
	ColumnDOF
	ColumnQuadratureChi2
	ColumnQuadratureDOF
	ColumnSpread
	ColumnClear
	ColumnLatency
	ColumnSkipped
	ColumnTrueX
	ColumnTrueY
	ColumnTrueZ
	ColumnTrueError
	ColumnTrueErrorTurn
	Columns
)

// ColumnNames are the names and units of the columns.
var ColumnNames = [Columns]struct{ Name, Unit string }{
	{"x_m", "m"}, {"y_m", "m"}, {"z_m", "m"}, {"rx_rad", "rad"}, {"ry_rad", "rad"}, {"rz_rad", "rad"},
	{"sigma_m", "m"}, {"sigma_rad", "rad"}, {"error_m", "m"}, {"error_rad", "rad"},
	{"chi2", ""}, {"dof", ""}, {"quadrature_chi2", ""}, {"quadrature_dof", ""}, {"spread_m", "m"}, {"clear", "σ"},
	{"latency_s", "s"}, {"skipped", ""},
	{"true_x_m", "m"}, {"true_y_m", "m"}, {"true_z_m", "m"}, {"true_error_m", "m"}, {"true_error_rad", "rad"},
}

// ColumnOf is the number of a column; -1: there is none of that name.
func ColumnOf(name string) int {
	for i, c := range ColumnNames {
		if c.Name == name {
			return i
		}
	}
	return -1
}

// Track is what a sensor did, against time.
type Track struct {
	Rows *pyramid.Rows

	mu    sync.RWMutex
	table []int32 // number of each row in the table of poses; of a stream none
}

// InDoubt marks in a track, beside the flags, a row that has none and is in doubt.
const InDoubt = uint32(1) << 30

// marksOf are the marks of a row in a track.
func marksOf(p *tables.Pose, v *tables.Integrity) uint32 {
	worth := verdict.Verdict{Chi2: p.Chi2, DOF: p.DOF}
	if v != nil {
		worth = v.Verdict
	}
	if worth.State(p.Flags) == verdict.InDoubt {
		return InDoubt
	}
	return uint32(p.Flags)
}

// MarkNames are the names of the marks of a row.
func MarkNames(marks uint32) []string {
	names := verdict.Flags(marks).Names()
	if marks&InDoubt != 0 {
		names = append(names, verdict.InDoubt.String())
	}
	return names
}

var nan = float32(math.NaN())

// fill writes a pose, what it is worth and where it truly was into the columns of a
// row; the last three may be nil.
func fill(row *[Columns]float32, p *tables.Pose, v *tables.Integrity, truth *rigid.Pose) {
	for i := range row {
		row[i] = nan
	}
	if p.Estimate != nil {
		at, turn := p.Estimate.Position, rigid.Log(p.Estimate.Rotation)
		row[ColumnX], row[ColumnY], row[ColumnZ] = float32(at.X), float32(at.Y), float32(at.Z)
		row[ColumnRX], row[ColumnRY], row[ColumnRZ] = float32(turn.X), float32(turn.Y), float32(turn.Z)
	}
	sigma, turn := sigmas(p.Covariance)
	row[ColumnSigma], row[ColumnSigmaTurn] = float32(sigma), float32(turn)
	row[ColumnChi2], row[ColumnDOF] = float32(p.Chi2), float32(p.DOF)
	if p.Live != nil {
		row[ColumnLatency], row[ColumnSkipped] = float32(p.Live.Latency), float32(p.Live.Skipped)
	}
	if v != nil {
		row[ColumnError], row[ColumnErrorTurn] = float32(v.PositionError), float32(v.RotationError)
		row[ColumnQuadratureChi2], row[ColumnQuadratureDOF] = float32(v.QuadratureChi2), float32(v.QuadratureDOF)
		row[ColumnSpread] = float32(v.Spread)
	}
	if truth != nil {
		row[ColumnTrueX], row[ColumnTrueY], row[ColumnTrueZ] = float32(truth.Position.X), float32(truth.Position.Y), float32(truth.Position.Z)
		if p.Estimate != nil {
			off, turned := Apart(*p.Estimate, *truth)
			row[ColumnTrueError], row[ColumnTrueErrorTurn] = float32(off), float32(turned)
		}
	}
}

// sigmas are the rms lengths of the stated errors of position [m] and rotation [rad].
func sigmas(c *tables.Covariance) (position, rotation float64) {
	if c == nil {
		return math.NaN(), math.NaN()
	}
	return math.Sqrt(max(0, c.At(0, 0)+c.At(1, 1)+c.At(2, 2))), math.Sqrt(max(0, c.At(3, 3)+c.At(4, 4)+c.At(5, 5)))
}
