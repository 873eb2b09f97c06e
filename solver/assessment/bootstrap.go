package assessment

import (
	"maps"
	"math"
	"math/rand/v2"
	"runtime"
	"slices"
	"sync"
	"sync/atomic"

	"tonepose/solver/internal/statistics"
)

// Interval holds a value at a level of confidence.
type Interval struct {
	Lo float64 `json:"low"`
	Hi float64 `json:"high"`
}

// Confidence are bootstrap intervals of a Report's numbers. That of the largest
// error can not reach beyond the largest seen.
type Confidence struct {
	Level     float64 `json:"level"`
	Resamples int     `json:"resamples"`
	Unit      string  `json:"unit"` // what was drawn: stations, visits, blocks or samples
	Units     int     `json:"units"`

	PositionRMS       Interval    `json:"position_rms_m"`
	PositionMedian    Interval    `json:"position_median_m"`
	PositionP95       Interval    `json:"position_p95_m"`
	PositionP99       Interval    `json:"position_p99_m"`
	PositionMax       Interval    `json:"position_max_m"`
	OrientationRMS    Interval    `json:"orientation_rms_rad"`
	OrientationMedian Interval    `json:"orientation_median_rad"`
	OrientationP95    Interval    `json:"orientation_p95_rad"`
	OrientationP99    Interval    `json:"orientation_p99_rad"`
	OrientationMax    Interval    `json:"orientation_max_rad"`
	PositionBias      [3]Interval `json:"position_bias_m"`
	OrientationBias   [3]Interval `json:"orientation_bias_rad"`
	NormalisedMean    Interval    `json:"normalised_mean"`
	Coverage95        Interval    `json:"coverage_95"`
	Repeatability     Interval    `json:"repeatability_m"`
	Reproducibility   Interval    `json:"reproducibility_m"`
	Trueness          Interval    `json:"trueness_m"`
	DistanceRMS       Interval    `json:"distance_rms_m"`
	ScalePPM          Interval    `json:"scale_ppm"`
}

// Bootstrap gives r's numbers, found by Summarise of the same samples, their
// confidence intervals: percentiles over resamples (default 2000, fewer of very
// many samples) drawn with the seed. What is drawn is what may be taken as
// independent: stations; visits when there are fewer than five of those; of a
// motion, blocks of ⌈n^⅓⌉ neighbours. Fewer than five of any of these give no
// interval, and Confidence stays nil.
//
// Sources: Efron and Tibshirani, An Introduction to the Bootstrap (1993),
// chapter 13; Künsch, Ann. Statist. 17(3), 1989, for blocks.
func (r *Report) Bootstrap(samples []Sample, all []Errors, level float64, resamples int, seed uint64) {
	units, name := unitsOf(samples)
	if len(units) < leastUnits {
		return
	}
	if resamples <= 0 {
		resamples = int(min(2000, max(200, 4e7/float64(len(samples)))))
	}
	c := &Confidence{Level: level, Resamples: resamples, Unit: name, Units: len(units)}
	position, rotation := lengths(all)
	positions, rotations := newDistribution(position), newDistribution(rotation)
	plan := r.Precision.plan(samples, all)
	pairs := newPairs(samples)
	const numbers = 5 + 5 + 6 + 2 + 3 + 2
	draws := make([][]float64, numbers)
	for i := range draws {
		draws[i] = make([]float64, resamples)
	}
	// Each resample has a source of its own, so that the work can be shared out and
	// the result stays the same.
	resample := func(b int, counts, times []int) {
		random := rand.New(rand.NewPCG(seed, 0x626f6f7473747261+uint64(b)))
		clear(counts)
		clear(times)
		for range units {
			times[random.IntN(len(units))]++
		}
		for u, n := range times {
			for _, i := range units[u] {
				counts[i] = n
			}
		}
		k := 0
		note := func(values ...float64) {
			for _, v := range values {
				draws[k][b] = v
				k++
			}
		}
		position, rotation, bias, split := positions.statistics(counts), rotations.statistics(counts), biasOf(all, counts), plan.split(counts)
		note(position[:]...)
		note(rotation[:]...)
		note(bias[:]...)
		note(agreement(all, counts))
		note(split[:]...)
		note(pairs.judge(counts))
	}
	var next atomic.Int64
	var workers sync.WaitGroup
	for range runtime.GOMAXPROCS(0) {
		workers.Go(func() {
			counts, times := make([]int, len(samples)), make([]int, len(units))
			for b := int(next.Add(1)) - 1; b < resamples; b = int(next.Add(1)) - 1 {
				resample(b, counts, times)
			}
		})
	}
	workers.Wait()
	into := []*Interval{&c.PositionRMS, &c.PositionMedian, &c.PositionP95, &c.PositionP99, &c.PositionMax,
		&c.OrientationRMS, &c.OrientationMedian, &c.OrientationP95, &c.OrientationP99, &c.OrientationMax,
		&c.PositionBias[0], &c.PositionBias[1], &c.PositionBias[2], &c.OrientationBias[0], &c.OrientationBias[1], &c.OrientationBias[2],
		&c.NormalisedMean, &c.Coverage95, &c.Repeatability, &c.Reproducibility, &c.Trueness, &c.DistanceRMS, &c.ScalePPM}
	for i, d := range draws {
		d = slices.DeleteFunc(d, math.IsNaN)
		slices.Sort(d)
		*into[i] = Interval{statistics.Quantile(d, (1-level)/2), statistics.Quantile(d, (1+level)/2)}
	}
	r.Confidence = c
}

const leastUnits = 5

// unitsOf groups samples into what may be taken as independent.
func unitsOf(samples []Sample) (units [][]int, name string) {
	stations, visits := map[int][]int{}, map[int][]int{}
	for i, s := range samples {
		if s.Visit == 0 {
			return blocks(samples), "blocks"
		}
		stations[s.Station] = append(stations[s.Station], i)
		visits[s.Visit] = append(visits[s.Visit], i)
	}
	groups, name := stations, "stations"
	if len(stations) < leastUnits {
		groups, name = visits, "visits"
	}
	for _, k := range slices.Sorted(maps.Keys(groups)) {
		units = append(units, groups[k])
	}
	return units, name
}

// blocks cuts each sensor's samples into runs of neighbours.
func blocks(samples []Sample) (units [][]int) {
	length := int(math.Ceil(math.Cbrt(float64(len(samples)))))
	open := map[int]int{} // unit of each sensor
	for i, s := range samples {
		u, ok := open[s.Sensor]
		if !ok || len(units[u]) >= length {
			u = len(units)
			units = append(units, nil)
			open[s.Sensor] = u
		}
		units[u] = append(units[u], i)
	}
	return units
}

func biasOf(all []Errors, counts []int) (bias [6]float64) {
	var n float64
	for i := range all {
		if counts[i] == 0 {
			continue
		}
		n += float64(counts[i])
		for k, v := range all[i].components() {
			bias[k] += float64(counts[i]) * v
		}
	}
	for k := range bias {
		bias[k] /= n
	}
	return bias
}

// agreement is the mean normalised squared error and the share of positions inside
// their stated 95 % ellipsoid.
func agreement(all []Errors, counts []int) (normal, inside float64) {
	var n float64
	cut := limit(3, 0.95)
	for i := range all {
		if counts[i] == 0 || math.IsNaN(all[i].NormalSq) {
			continue
		}
		w := float64(counts[i])
		n += w
		normal += w * all[i].NormalSq
		if all[i].PositionSq <= cut {
			inside += w
		}
	}
	return normal / n, inside / n
}
