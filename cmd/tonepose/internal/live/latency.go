package live

import "math"

// Latency counts how long rows took. It does not grow.
type Latency struct {
	N       int
	Largest float64 // [s]
	bins    [latencyBins]int
}

// Bins of a latency grow by 2 % each from a microsecond on: what they say of a quantile is
// as exact.
const (
	latencyFrom  = 1e-6
	latencyRatio = 1.02
	latencyBins  = 1000 // up to 400 s
)

// Add counts one [s].
func (l *Latency) Add(s float64) {
	l.N++
	l.Largest = max(l.Largest, s)
	bin := 0
	if s > latencyFrom {
		bin = min(1+int(math.Log(s/latencyFrom)/math.Log(latencyRatio)), latencyBins-1)
	}
	l.bins[bin]++
}

// Quantile is the latency that a share of all does not exceed, within 2 %; NaN of none.
func (l *Latency) Quantile(share float64) float64 {
	if l.N == 0 {
		return math.NaN()
	}
	rank, seen := max(1, int(math.Ceil(share*float64(l.N)))), 0
	for i, n := range l.bins {
		if seen += n; seen >= rank {
			return min(l.Largest, latencyFrom*math.Pow(latencyRatio, float64(i)))
		}
	}
	return l.Largest
}

// Bar is one of a histogram of latencies.
type Bar struct {
	Above float64 `json:"above_s"`
	Up    float64 `json:"up_to_s"`
	N     int     `json:"n"`
}

// Histogram counts latencies between 1, 2 and 5 of each decade, without the empty bars at
// both ends.
func (l *Latency) Histogram() (bars []Bar) {
	at, above, seen := 0, 0.0, 0
	for decade := latencyFrom; seen < l.N; decade *= 10 {
		for _, step := range [...]float64{1, 2, 5} {
			bar := Bar{Above: above, Up: decade * step}
			for ; at < latencyBins && latencyFrom*math.Pow(latencyRatio, float64(at)-0.5) <= bar.Up; at++ {
				bar.N += l.bins[at]
			}
			above = bar.Up
			if seen += bar.N; bar.N > 0 || len(bars) > 0 && seen < l.N {
				bars = append(bars, bar)
			}
		}
	}
	return bars
}
