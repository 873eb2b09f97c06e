package assessment

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/solver/internal/statistics"
)

// Distances compares the distances between positions with the true ones, for which
// no frame need be known.
type Distances struct {
	Places int     `json:"positions"`
	N      int     `json:"n"` // pairs of them
	Mean   float64 `json:"mean_m"`
	RMS    float64 `json:"rms_m"`
	P95    float64 `json:"p95_m"` // of the magnitude
	Max    float64 `json:"max_m"` // of the magnitude
	// ScalePPM is by how much all distances are too long, in millionths.
	ScalePPM float64 `json:"scale_ppm"`
}

// mostPlaces bounds the work: 4,950 pairs.
const mostPlaces = 100

// place is where a station is, as estimated and in truth.
type place struct {
	seen, truth r3.Vec
	sample      int // one of its samples
}

// pair is the distance between two positions.
type pair struct {
	a, b         int // the places
	error, truth float64
}

type pairs struct {
	places []place
	list   []pair
}

// newPairs takes the mean of every station; of a motion, samples evenly apart.
func newPairs(samples []Sample) (p pairs) {
	p.places = places(samples)
	for i, a := range p.places {
		for k, b := range p.places[:i] {
			truth := r3.Norm(r3.Sub(a.truth, b.truth))
			p.list = append(p.list, pair{i, k, r3.Norm(r3.Sub(a.seen, b.seen)) - truth, truth})
		}
	}
	return p
}

func places(samples []Sample) (list []place) {
	at := map[int]int{}
	var n []float64
	resting := !slices.ContainsFunc(samples, func(s Sample) bool { return s.Station == 0 })
	step := max(1, (len(samples)+mostPlaces-1)/mostPlaces)
	sensors := map[int]bool{}
	for _, s := range samples {
		sensors[s.Sensor] = true
	}
	for step > 1 && len(sensors) > 1 && step%len(sensors) == 0 {
		step++ // samples of several sensors take turns
	}
	for i, s := range samples {
		if !resting {
			if i%step == 0 {
				list = append(list, place{s.Estimate.Position, s.Truth.Position, i})
			}
			continue
		}
		k, ok := at[s.Station]
		if !ok {
			if len(list) == mostPlaces {
				continue
			}
			k = len(list)
			at[s.Station] = k
			list, n = append(list, place{sample: i}), append(n, 0)
		}
		n[k]++
		list[k].seen = r3.Add(list[k].seen, r3.Scale(1/n[k], r3.Sub(s.Estimate.Position, list[k].seen)))
		list[k].truth = r3.Add(list[k].truth, r3.Scale(1/n[k], r3.Sub(s.Truth.Position, list[k].truth)))
	}
	return list
}

// judge returns the RMS error and the scale, least squares through zero, under a
// resampling: drawn says how often a sample was drawn.
func (p pairs) judge(drawn func(sample int) float64) (rms, scale float64) {
	var times [mostPlaces]float64
	for i, at := range p.places {
		times[i] = drawn(at.sample)
	}
	var squares, weight, top, bottom float64
	for _, d := range p.list {
		w := times[d.a] * times[d.b]
		squares += w * d.error * d.error
		weight += w
		top += w * d.error * d.truth
		bottom += w * d.truth * d.truth
	}
	return math.Sqrt(squares / weight), 1e6 * top / bottom
}

func distancesOf(samples []Sample) *Distances {
	p := newPairs(samples)
	if p.list == nil {
		return nil
	}
	d := &Distances{Places: len(p.places), N: len(p.list)}
	var size []float64
	for _, e := range p.list {
		d.Mean += e.error / float64(d.N)
		size = append(size, math.Abs(e.error))
	}
	slices.Sort(size)
	d.RMS, d.ScalePPM = p.judge(func(int) float64 { return 1 })
	d.P95, d.Max = statistics.Quantile(size, 0.95), size[len(size)-1]
	return d
}
