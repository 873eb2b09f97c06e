package assessment

import (
	"context"
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
// interval, and Confidence stays nil. It ends with ctx, which it asks before each
// resample.
//
// Sources: Efron and Tibshirani, An Introduction to the Bootstrap (1993),
// chapter 13; Künsch, Ann. Statist. 17(3), 1989, for blocks.
func (r *Report) Bootstrap(ctx context.Context, samples []Sample, all []Errors, level float64, resamples int, seed uint64) error {
	u := unitsOf(samples)
	if u.n < leastUnits {
		return nil
	}
	if resamples <= 0 {
		resamples = int(min(2000, max(200, 4e7/float64(len(samples)))))
	}
	c := &Confidence{Level: level, Resamples: resamples, Unit: u.name, Units: u.n}
	position, rotation := lengths(all)
	positions, rotations := newDistribution(position, u.of), newDistribution(rotation, u.of)
	sums := sumsOf(all, u)
	plan := r.Precision.plan(samples, all)
	pairs := newPairs(samples)
	const numbers = 5 + 5 + 6 + 2 + 3 + 2
	draws := make([][]float64, numbers)
	for i := range draws {
		draws[i] = make([]float64, resamples)
	}
	// Each resample has a source of its own, so that the work can be shared out and
	// the result stays the same.
	resample := func(b int, times []int) {
		random := rand.New(rand.NewPCG(seed, 0x626f6f7473747261+uint64(b)))
		clear(times)
		for range times {
			times[random.IntN(len(times))]++
		}
		k := 0
		note := func(values ...float64) {
			for _, v := range values {
				draws[k][b] = v
				k++
			}
		}
		drawn := func(sample int) float64 { return float64(times[u.of[sample]]) }
		position, rotation, bias, split := positions.statistics(times), rotations.statistics(times), sums.bias(times), plan.split(drawn)
		note(position[:]...)
		note(rotation[:]...)
		note(bias[:]...)
		note(sums.agreement(times))
		note(split[:]...)
		note(pairs.judge(drawn))
	}
	var next atomic.Int64
	var workers sync.WaitGroup
	for range runtime.GOMAXPROCS(0) {
		workers.Go(func() {
			times := make([]int, u.n)
			for b := int(next.Add(1)) - 1; b < resamples && ctx.Err() == nil; b = int(next.Add(1)) - 1 {
				resample(b, times)
			}
		})
	}
	workers.Wait()
	if err := ctx.Err(); err != nil {
		return err
	}
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
	return nil
}

const leastUnits = 5

// units are what of the samples may be taken as independent.
type units struct {
	name string
	n    int
	of   []int // the unit of each sample
}

func unitsOf(samples []Sample) units {
	stations, visits := map[int]int{}, map[int]int{}
	for _, s := range samples {
		if s.Visit == 0 {
			return blocks(samples)
		}
		stations[s.Station], visits[s.Visit] = 0, 0
	}
	u := units{name: "stations", n: len(stations), of: make([]int, len(samples))}
	groups := stations
	if u.n < leastUnits {
		u.name, u.n, groups = "visits", len(visits), visits
	}
	for i, k := range slices.Sorted(maps.Keys(groups)) {
		groups[k] = i
	}
	for i, s := range samples {
		u.of[i] = stations[s.Station]
		if u.name == "visits" {
			u.of[i] = visits[s.Visit]
		}
	}
	return u
}

// blocks cuts each sensor's samples into runs of neighbours.
func blocks(samples []Sample) units {
	u := units{name: "blocks", of: make([]int, len(samples))}
	length := int(math.Ceil(math.Cbrt(float64(len(samples)))))
	type run struct{ unit, samples int }
	open := map[int]*run{} // of each sensor
	for i, s := range samples {
		b := open[s.Sensor]
		if b == nil || b.samples == length {
			b = &run{unit: u.n}
			u.n++
			open[s.Sensor] = b
		}
		b.samples++
		u.of[i] = b.unit
	}
	return u
}

// sums are over the samples of each unit, so that a resample costs as much as there
// are units.
type sums []unitSum

type unitSum struct {
	n, stated, inside int // samples; of them with a covariance, and inside its 95 % ellipsoid
	errors            [6]float64
	normal            float64
}

func sumsOf(all []Errors, u units) sums {
	list := make(sums, u.n)
	cut := limit(3, 0.95)
	for i := range all {
		s := &list[u.of[i]]
		s.n++
		for k, v := range all[i].components() {
			s.errors[k] += v
		}
		if math.IsNaN(all[i].NormalSq) {
			continue
		}
		s.stated++
		s.normal += all[i].NormalSq
		if all[i].PositionSq <= cut {
			s.inside++
		}
	}
	return list
}

func (list sums) bias(times []int) (bias [6]float64) {
	n := 0
	for i := range list {
		s := &list[i]
		if times[i] == 0 { // an unknown error that was not drawn does no harm
			continue
		}
		n += times[i] * s.n
		for k, v := range s.errors {
			bias[k] += float64(times[i]) * v
		}
	}
	for k := range bias {
		bias[k] /= float64(n)
	}
	return bias
}

// agreement is the mean normalised squared error and the share of positions inside
// their stated 95 % ellipsoid.
func (list sums) agreement(times []int) (normal, inside float64) {
	stated, held := 0, 0
	for i := range list {
		s := &list[i]
		stated, held = stated+times[i]*s.stated, held+times[i]*s.inside
		normal += float64(times[i]) * s.normal
	}
	return normal / float64(stated), float64(held) / float64(stated)
}
