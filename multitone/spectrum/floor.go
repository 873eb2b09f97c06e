package spectrum

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"
)

// Floor is the local noise density under the lines.
type Floor struct {
	PSD   []float64 // [V²/Hz] at each bin of the density it came from
	Reach int       // bins that its neighbourhoods reach at most
}

// Floor returns the local noise density at each bin: the median of PSD over
// the bins around it, times ν/median(χ²_ν) so that it estimates the mean of noise.
// Lines do not lift it as long as they fill less than half of the neighbourhood.
// The neighbourhood reaches a third of the bin's frequency either way, at least 8
// and at most reach bins, so that it follows a rise towards low frequency. Bin 0
// takes no part.
func (d *Density) Floor(reach int) Floor {
	n := len(d.PSD)
	floor := make([]float64, n)
	if d.dof == 0 {
		for k := range floor {
			floor[k] = math.NaN()
		}
		return Floor{floor, reach}
	}
	bias := d.dof / (distuv.ChiSquared{K: d.dof}).Quantile(0.5)
	var sorted []float64
	from, to := 1, 1 // sorted holds PSD[from:to]
	for k := range floor {
		lo, hi := d.neighbourhood(k, reach)
		for ; to < hi; to++ {
			i, _ := slices.BinarySearch(sorted, d.PSD[to])
			sorted = slices.Insert(sorted, i, d.PSD[to])
		}
		for ; from < lo; from++ {
			i, _ := slices.BinarySearch(sorted, d.PSD[from])
			sorted = slices.Delete(sorted, i, i+1)
		}
		m := len(sorted)
		floor[k] = bias * (sorted[(m-1)/2] + sorted[m/2]) / 2
	}
	return Floor{floor, reach}
}

// neighbourhood returns the bins lo ≤ i < hi that make the floor of bin k; both
// never fall as k rises.
func (d *Density) neighbourhood(k, reach int) (lo, hi int) {
	r := min(max(k/3, 8), max(reach, 8))
	return max(1, k-r), min(len(d.PSD), k+r+1)
}

// floorFreedom returns the degrees of freedom of the floor's estimate at bin k. The
// median of m independent values scatters by π/2 times the variance of their mean;
// neighbouring bins are correlated by the taper.
func (d *Density) floorFreedom(k, reach int) float64 {
	lo, hi := d.neighbourhood(k, reach)
	return math.Max(1, d.dof*float64(hi-lo)/(d.lobe.spread*math.Pi/2))
}
