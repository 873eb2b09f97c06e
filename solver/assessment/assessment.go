// Package assessment compares estimated poses with known ones: how large the
// errors are, and whether the stated uncertainty deserves its name.
package assessment

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"
	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"

	"tonepose/fieldmodels/rigid"
)

// Sample is one estimated pose with the true one.
type Sample struct {
	Time            float64 // [s]
	Estimate, Truth rigid.Pose
	// Covariance of the estimate over x y z [m] and the rotation vector [rad]
	// in the rig frame; nil: not stated. Rank 5 for a sensor of one axis.
	Covariance *[6][6]float64
	// Axis is the sensor-frame direction about which a turn can't be seen, for
	// sensors with five degrees of freedom; nil for six.
	Axis *r3.Vec
}

// Errors are the components of one sample's error.
type Errors struct {
	Position    r3.Vec  // [m], rig frame
	Rotation    r3.Vec  // rotation vector [rad], rig frame: estimate = exp(δ)·truth
	PositionSq  float64 // eᵀC⁻¹e of the position; NaN without covariance
	NormalSq    float64 // of the whole pose over its degrees of freedom; NaN likewise
	Freedom     int
	PredictedM  float64 // √trace of the position's covariance
	PredictedRd float64 // √trace of the rotation's
}

// Report summarises the errors of many samples.
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
	PredictedPosition float64 `json:"predicted_position_rms_m"`
	PredictedRotation float64 `json:"predicted_orientation_rms_rad"`
	NormalisedMean    float64 `json:"normalised_mean"`   // mean of eᵀC⁻¹e / degrees of freedom: 1 when honest
	NormalisedMedian  float64 `json:"normalised_median"` // of the same
	Coverage95        float64 `json:"coverage_95"`       // share of positions inside the stated 95 % ellipsoid
	WithCovariance    int     `json:"n_with_covariance"`
}

// Of returns the errors of one sample.
func Of(s Sample) Errors {
	dp, dr := s.Estimate.Minus(s.Truth)
	if s.Axis != nil {
		// only the direction of the axis is known: the smallest rotation
		// between the two directions is the error
		dr = rigid.Log(rigid.Between(s.Truth.Rotate(*s.Axis), s.Estimate.Rotate(*s.Axis)))
	}
	e := Errors{Position: dp, Rotation: dr, PositionSq: math.NaN(), NormalSq: math.NaN(), Freedom: 6, PredictedM: math.NaN(), PredictedRd: math.NaN()}
	if s.Axis != nil {
		e.Freedom = 5
	}
	if s.Covariance == nil {
		return e
	}
	c := s.Covariance
	e.PredictedM = math.Sqrt(c[0][0] + c[1][1] + c[2][2])
	e.PredictedRd = math.Sqrt(c[3][3] + c[4][4] + c[5][5])
	v := []float64{dp.X, dp.Y, dp.Z, dr.X, dr.Y, dr.Z}
	e.PositionSq = mahalanobis(c, v, 3, 3)
	e.NormalSq = mahalanobis(c, v, 6, e.Freedom) / float64(e.Freedom)
	return e
}

// mahalanobis is vᵀC⁺v over the first n components, C⁺ the pseudo-inverse of
// the given rank. Components are scaled to unit variance first: metres and
// radians do not compare.
func mahalanobis(c *[6][6]float64, v []float64, n, rank int) float64 {
	sym := mat.NewSymDense(n, nil)
	scale := make([]float64, n)
	for i := range n {
		scale[i] = math.Sqrt(c[i][i])
		if !(scale[i] > 0) {
			return math.NaN()
		}
	}
	for i := range n {
		for j := i; j < n; j++ {
			sym.SetSym(i, j, c[i][j]/scale[i]/scale[j])
		}
	}
	var eig mat.EigenSym
	if !eig.Factorize(sym, true) {
		return math.NaN()
	}
	values := eig.Values(nil)
	var vectors mat.Dense
	eig.VectorsTo(&vectors)
	var sum float64
	for k := n - rank; k < n; k++ { // ascending: the largest rank of them
		var dot float64
		for i := range n {
			dot += vectors.At(i, k) * v[i] / scale[i]
		}
		sum += dot * dot / values[k]
	}
	return sum
}

// Summarise gathers the errors of all samples.
func Summarise(samples []Sample) (Report, []Errors) {
	r := Report{N: len(samples)}
	all := make([]Errors, len(samples))
	var position, rotation, normal []float64
	inside := 0
	limit := distuv.ChiSquared{K: 3}.Quantile(0.95)
	for i, s := range samples {
		e := Of(s)
		all[i] = e
		position = append(position, r3.Norm(e.Position))
		rotation = append(rotation, r3.Norm(e.Rotation))
		if !math.IsNaN(e.NormalSq) {
			normal = append(normal, e.NormalSq)
			r.PredictedPosition += e.PredictedM * e.PredictedM
			r.PredictedRotation += e.PredictedRd * e.PredictedRd
			if e.PositionSq <= limit {
				inside++
			}
		}
	}
	r.PositionRMS, r.OrientationRMS = rms(position), rms(rotation)
	slices.Sort(position)
	slices.Sort(rotation)
	slices.Sort(normal)
	r.PositionMedian, r.PositionP95, r.PositionP99, r.PositionMax = quantiles(position)
	r.OrientationMedian, r.OrientationP95, r.OrientationP99, r.OrientationMax = quantiles(rotation)
	r.WithCovariance = len(normal)
	if n := float64(len(normal)); n > 0 {
		r.PredictedPosition = math.Sqrt(r.PredictedPosition / n)
		r.PredictedRotation = math.Sqrt(r.PredictedRotation / n)
		r.NormalisedMean = stat.Mean(normal, nil)
		r.NormalisedMedian, _, _, _ = quantiles(normal)
		r.Coverage95 = float64(inside) / n
	}
	return r, all
}

func rms(x []float64) float64 {
	var sum float64
	for _, v := range x {
		sum += v * v
	}
	return math.Sqrt(sum / float64(len(x)))
}

// quantiles of sorted numbers: median, 95 %, 99 % and the largest.
func quantiles(x []float64) (median, p95, p99, most float64) {
	if len(x) == 0 {
		return math.NaN(), math.NaN(), math.NaN(), math.NaN()
	}
	// Hyndman and Fan's definition 7: the median of an even count is the mean
	// of the middle two.
	q := func(p float64) float64 {
		at := p * float64(len(x)-1)
		i := int(at)
		if i+1 == len(x) {
			return x[i]
		}
		return x[i] + (at-float64(i))*(x[i+1]-x[i])
	}
	return q(0.5), q(0.95), q(0.99), x[len(x)-1]
}
