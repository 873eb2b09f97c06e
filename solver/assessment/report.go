package assessment

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/spatial/r3"
	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"

	"tonepose/fieldmodels/rigid"
	"tonepose/solver/internal/statistics"
)

// Report summarises the errors of many samples. NaN: not known.
type Report struct {
	N                 int     `json:"n"`
	PositionRMS       float64 `json:"position_rms_m"`
	PositionMedian    float64 `json:"position_median_m"`
	PositionP95       float64 `json:"position_p95_m"`
	PositionP99       float64 `json:"position_p99_m"`
	PositionMax       float64 `json:"position_max_m"`
	OrientationRMS    float64 `json:"orientation_rms_rad"`
	OrientationMedian float64 `json:"orientation_median_rad"`
	OrientationP95    float64 `json:"orientation_p95_rad"`
	OrientationP99    float64 `json:"orientation_p99_rad"`
	OrientationMax    float64 `json:"orientation_max_rad"`

	PositionAxes    Axes `json:"position_axes_m"`      // by rig axis
	OrientationAxes Axes `json:"orientation_axes_rad"` // about each rig axis
	// BodyBias is the mean position error in the sensor's own frame: what a wrong
	// lever arm leaves.
	BodyBias [3]float64 `json:"body_bias_m"`

	PredictedPosition float64    `json:"predicted_position_rms_m"`
	PredictedRotation float64    `json:"predicted_orientation_rms_rad"`
	NormalisedMean    float64    `json:"normalised_mean"`   // mean of eᵀC⁻¹e / degrees of freedom: expected 1
	NormalisedMedian  float64    `json:"normalised_median"` // of the same
	ChiSquare         float64    `json:"chi2"`              // sum of eᵀC⁻¹e over all poses
	DOF               int        `json:"dof"`               // of ChiSquare
	Coverage95        float64    `json:"coverage_95"`       // share of positions inside the stated 95 % ellipsoid
	Coverage          []Coverage `json:"coverage"`
	WithCovariance    int        `json:"n_with_covariance"`

	Confidence *Confidence `json:"confidence,omitempty"`
	Trends     *Trends     `json:"trends,omitempty"`
	Precision  *Precision  `json:"precision,omitempty"`
	Distances  *Distances  `json:"distances,omitempty"`
	Jitter     *Jitter     `json:"jitter,omitempty"`
}

// Axes are the three components of an error over all samples.
type Axes struct {
	Bias [3]float64 `json:"bias"` // mean
	SD   [3]float64 `json:"sd"`   // about the mean
	RMS  [3]float64 `json:"rms"`
}

// Coverage is how many errors lie inside their stated ellipsoid.
type Coverage struct {
	Level    float64 `json:"level"`    // that it should hold
	Position float64 `json:"position"` // three degrees of freedom
	Pose     float64 `json:"pose"`     // six, or what a sample has
}

// Jitter is the scatter from one frame to the next: √(mean of squared steps of
// the error / 2), which slow drift does not enter. Frames that overlap, or were
// filtered, share noise and jitter less.
type Jitter struct {
	Pairs       int     `json:"n"`
	Position    float64 `json:"position_m"`
	Orientation float64 `json:"orientation_rad"`
}

var levels = [...]float64{0.5, 0.6827, 0.95, 0.99}

// Summarise gathers the errors of all samples.
func Summarise(samples []Sample) (Report, []Errors) {
	all := make([]Errors, len(samples))
	for i, s := range samples {
		all[i] = Of(s)
	}
	r := Report{N: len(samples)}
	position, rotation := lengths(all)
	p, o := statisticsOf(position), statisticsOf(rotation)
	r.PositionRMS, r.PositionMedian, r.PositionP95, r.PositionP99, r.PositionMax = p[0], p[1], p[2], p[3], p[4]
	r.OrientationRMS, r.OrientationMedian, r.OrientationP95, r.OrientationP99, r.OrientationMax = o[0], o[1], o[2], o[3], o[4]
	var body []r3.Vec
	places, turns := make([]r3.Vec, len(all)), make([]r3.Vec, len(all))
	for i, e := range all {
		places[i], turns[i] = e.Position, e.Rotation
		if samples[i].Axis == nil && !samples[i].PlaceOnly {
			body = append(body, rigid.Pose{Rotation: samples[i].Truth.Inverse().Rotation}.Rotate(e.Position))
		}
	}
	r.PositionAxes, r.OrientationAxes = axesOf(places), axesOf(turns)
	r.BodyBias = axesOf(body).Bias
	r.judge(all)
	r.Trends = trendsOf(samples, all)
	r.Precision = precisionOf(samples, all)
	r.Distances = distancesOf(samples)
	r.Jitter = jitterOf(samples, all)
	return r, all
}

func lengths(all []Errors) (position, rotation []float64) {
	for _, e := range all {
		position = append(position, r3.Norm(e.Position))
		rotation = append(rotation, r3.Norm(e.Rotation))
	}
	return position, rotation
}

// judge compares the errors with their stated covariances.
func (r *Report) judge(all []Errors) {
	var normal []float64
	var rotations int
	inside := make([][2]int, len(levels))
	var predicted, turning float64
	for _, e := range all {
		if math.IsNaN(e.NormalSq) {
			continue
		}
		normal = append(normal, e.NormalSq)
		predicted += e.PredictedM * e.PredictedM
		if e.Freedom > 3 {
			turning += e.PredictedRd * e.PredictedRd
			rotations++
		}
		r.ChiSquare += e.NormalSq * float64(e.Freedom)
		r.DOF += e.Freedom
		for k, level := range levels {
			if e.PositionSq <= limit(3, level) {
				inside[k][0]++
			}
			if e.NormalSq*float64(e.Freedom) <= limit(e.Freedom, level) {
				inside[k][1]++
			}
		}
	}
	n := float64(len(normal))
	r.WithCovariance = len(normal)
	r.PredictedPosition, r.PredictedRotation = math.Sqrt(predicted/n), math.Sqrt(turning/float64(rotations))
	r.NormalisedMean, r.Coverage95 = math.NaN(), math.NaN()
	slices.Sort(normal)
	r.NormalisedMedian = statistics.Quantile(normal, 0.5)
	if len(normal) == 0 {
		r.ChiSquare = math.NaN()
		return
	}
	r.NormalisedMean = stat.Mean(normal, nil)
	for k, level := range levels {
		c := Coverage{level, float64(inside[k][0]) / n, float64(inside[k][1]) / n}
		r.Coverage = append(r.Coverage, c)
		if level == 0.95 {
			r.Coverage95 = c.Position
		}
	}
}

var limits = map[[2]float64]float64{}

func init() {
	for _, dof := range []int{3, 5, 6} {
		for _, level := range levels {
			limits[[2]float64{float64(dof), level}] = distuv.ChiSquared{K: float64(dof)}.Quantile(level)
		}
	}
}

// limit is the chi-square that holds a share level of all.
func limit(dof int, level float64) float64 { return limits[[2]float64{float64(dof), level}] }

func axesOf(v []r3.Vec) (a Axes) {
	for k := range 3 {
		x := make([]float64, len(v))
		for i, e := range v {
			x[i] = [3]float64{e.X, e.Y, e.Z}[k]
		}
		a.Bias[k], a.SD[k] = stat.MeanStdDev(x, nil)
		a.RMS[k] = rms(x)
		if len(x) == 0 {
			a.Bias[k], a.SD[k] = math.NaN(), math.NaN()
		}
	}
	return a
}

func jitterOf(samples []Sample, all []Errors) *Jitter {
	last := map[int]int{} // sample before, by sensor
	var steps []float64
	var neighbours [][2]int
	for i, s := range samples {
		if before, ok := last[s.Sensor]; ok {
			neighbours = append(neighbours, [2]int{before, i})
			steps = append(steps, s.Time-samples[before].Time)
		}
		last[s.Sensor] = i
	}
	slices.Sort(steps)
	usual := statistics.Quantile(steps, 0.5)
	j := &Jitter{}
	var turns int
	for _, p := range neighbours {
		a, b := samples[p[0]], samples[p[1]]
		if a.Visit != b.Visit || !(b.Time > a.Time) || b.Time-a.Time > 1.5*usual {
			continue
		}
		j.Pairs++
		j.Position += r3.Norm2(r3.Sub(all[p[1]].Position, all[p[0]].Position)) / 2
		if d := r3.Norm2(r3.Sub(all[p[1]].Rotation, all[p[0]].Rotation)) / 2; !math.IsNaN(d) {
			turns++
			j.Orientation += d
		}
	}
	if j.Pairs < 2 {
		return nil
	}
	j.Position = math.Sqrt(j.Position / float64(j.Pairs))
	j.Orientation = math.Sqrt(j.Orientation / float64(turns))
	return j
}
