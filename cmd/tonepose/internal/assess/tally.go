package assess

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"
	"gonum.org/v1/gonum/stat/distuv"

	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/solver/assessment"
)

// Accuracy is how far the poses of a run are from their truth, flagged ones included. Its
// numbers are those that the assessment.Report of the same poses has under the same names.
type Accuracy struct {
	N      int `json:"n"`              // poses that were compared
	Beyond int `json:"n_beyond_truth"` // poses outside of the truth's times

	PositionRMS    float64 `json:"position_rms_m"`
	PositionMax    float64 `json:"position_max_m"`
	OrientationRMS float64 `json:"orientation_rms_rad"` // 0: the truth has positions alone

	WithCovariance int     `json:"n_with_covariance"`
	NormalisedMean float64 `json:"normalised_mean"` // mean of eᵀC⁻¹e / degrees of freedom of these: expected 1
	Coverage95     float64 `json:"coverage_95"`     // share of these inside the stated 95 % ellipsoid of position
}

// Tally compares poses with their truth row by row, in memory that does not grow with them.
// Nothing is registered.
type Tally struct {
	truth  *Truth
	n      int
	beyond int
	stated int // with a covariance

	places, turns, normal float64 // sums of squares [m², rad², 1]
	farthest              float64 // largest square of them [m²]
	turned, inside        int
}

// NewTally begins the comparison with a truth.
func NewTally(t *Truth) *Tally { return &Tally{truth: t} }

// within95 is the square of a position's error over its covariance that 95 % do not exceed.
var within95 = distuv.ChiSquared{K: 3}.Quantile(0.95)

// Add adds a row of the run's poses.
func (y *Tally) Add(row *tables.Pose) {
	k := y.truth.of[row.Sensor]
	if row.Estimate == nil || k == nil {
		return
	}
	s, _, ok := k.sample(row, 0)
	if !ok {
		y.beyond++
		return
	}
	e := assessment.Of(s)
	place := r3.Norm2(e.Position)
	y.n++
	y.places += place
	y.farthest = max(y.farthest, place)
	if turn := r3.Norm2(e.Rotation); !math.IsNaN(turn) {
		y.turned++
		y.turns += turn
	}
	if math.IsNaN(e.NormalSq) || math.IsInf(e.NormalSq, 0) {
		return
	}
	y.stated++
	y.normal += e.NormalSq
	if e.PositionSq <= within95 {
		y.inside++
	}
}

// Accuracy is that of the rows so far.
func (y *Tally) Accuracy() Accuracy {
	mean := func(sum float64, n int) float64 { return sum / float64(max(n, 1)) }
	return Accuracy{N: y.n, Beyond: y.beyond, WithCovariance: y.stated,
		PositionRMS: math.Sqrt(mean(y.places, y.n)), PositionMax: math.Sqrt(y.farthest), OrientationRMS: math.Sqrt(mean(y.turns, y.turned)),
		NormalisedMean: mean(y.normal, y.stated), Coverage95: mean(float64(y.inside), y.stated)}
}
