package workbench

import (
	"math"

	"tonepose/cmd/tonepose/internal/pyramid"
	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/fieldmodels/rigid"
)

// The columns of a track, which the page asks for by name.
const (
	columnX = iota
	columnY
	columnZ
	columnRX
	columnRY
	columnRZ
	columnSigma
	columnSigmaTurn
	columnError
	columnErrorTurn
	columnChi2
	columnDOF
	columnQuadratureChi2
	columnQuadratureDOF
	columnSpread
	columnClear
	columnLatency
	columnSkipped
	columnTrueX
	columnTrueY
	columnTrueZ
	columnTrueError
	columnTrueErrorTurn
	columns
)

var columnNames = [columns]struct{ name, unit string }{
	{"x_m", "m"}, {"y_m", "m"}, {"z_m", "m"}, {"rx_rad", "rad"}, {"ry_rad", "rad"}, {"rz_rad", "rad"},
	{"sigma_m", "m"}, {"sigma_rad", "rad"}, {"error_m", "m"}, {"error_rad", "rad"},
	{"chi2", ""}, {"dof", ""}, {"quadrature_chi2", ""}, {"quadrature_dof", ""}, {"spread_m", "m"}, {"clear", "σ"},
	{"latency_s", "s"}, {"skipped", ""},
	{"true_x_m", "m"}, {"true_y_m", "m"}, {"true_z_m", "m"}, {"true_error_m", "m"}, {"true_error_rad", "rad"},
}

// columnOf is the number of a column; -1: there is none of that name.
func columnOf(name string) int {
	for i, c := range columnNames {
		if c.name == name {
			return i
		}
	}
	return -1
}

// track is what a sensor did, against time.
type track struct {
	rows  *pyramid.Rows
	table []int32 // number of each row in the table of poses; nil: of a stream
}

var nan = float32(math.NaN())

// fill writes a pose, what it is worth and where it truly was into the columns of a
// row; the last three may be nil.
func fill(row *[columns]float32, p *tables.Pose, v *tables.Integrity, truth *rigid.Pose) {
	for i := range row {
		row[i] = nan
	}
	if p.Estimate != nil {
		at, turn := p.Estimate.Position, rigid.Log(p.Estimate.Rotation)
		row[columnX], row[columnY], row[columnZ] = float32(at.X), float32(at.Y), float32(at.Z)
		row[columnRX], row[columnRY], row[columnRZ] = float32(turn.X), float32(turn.Y), float32(turn.Z)
	}
	sigma, turn := sigmas(p.Covariance)
	row[columnSigma], row[columnSigmaTurn] = float32(sigma), float32(turn)
	row[columnChi2], row[columnDOF] = float32(p.Chi2), float32(p.DOF)
	if p.Live != nil {
		row[columnLatency], row[columnSkipped] = float32(p.Live.Latency), float32(p.Live.Skipped)
	}
	if v != nil {
		row[columnError], row[columnErrorTurn] = float32(v.PositionError), float32(v.RotationError)
		row[columnQuadratureChi2], row[columnQuadratureDOF] = float32(v.QuadratureChi2), float32(v.QuadratureDOF)
		row[columnSpread] = float32(v.Spread)
	}
	if truth != nil {
		row[columnTrueX], row[columnTrueY], row[columnTrueZ] = float32(truth.Position.X), float32(truth.Position.Y), float32(truth.Position.Z)
		if p.Estimate != nil {
			off, turned := apart(*p.Estimate, *truth)
			row[columnTrueError], row[columnTrueErrorTurn] = float32(off), float32(turned)
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
