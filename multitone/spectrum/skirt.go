package spectrum

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"
)

// Skirt is the noise beside a tone, one entry an octave of distance. A power
// spectrum does not tell phase noise from amplitude noise: an even skirt may be
// either, and phase noise is at most what stands here. A skirt that is higher on one
// side is another signal's.
type Skirt struct {
	OffsetHz []float64 // geometric middle of each octave
	DBcPerHz []float64 // density of both sides' mean over the tone's power, per side [dB of 1/Hz]
}

// Skirt measures the noise beside a line out to maxHz, from where the taper's own
// leakage has fallen below a tenth of it. Medians keep other lines out.
func (d *Density) Skirt(l Line, maxHz float64) Skirt {
	var s Skirt
	carrier := l.PeakV * l.PeakV / 2
	density := carrier / d.ENBWHz
	bias := d.dof / (distuv.ChiSquared{K: d.dof}).Quantile(0.5)
	center := l.Hz / d.StepHz
	for lo := 4.0; lo*d.StepHz < maxHz; lo *= 2 {
		upper := median(d.slice(center+lo, center+2*lo)) * bias
		lower := median(d.slice(center-2*lo, center-lo)) * bias
		mean := (upper + lower) / 2
		if math.IsNaN(mean) { // past 0 Hz or fs/2
			break
		}
		if density*d.lobe.leak(lo) > 0.1*mean {
			continue
		}
		s.OffsetHz = append(s.OffsetHz, lo*math.Sqrt2*d.StepHz)
		s.DBcPerHz = append(s.DBcPerHz, 10*math.Log10(mean/carrier))
	}
	return s
}

// slice returns the densities of the bins between two positions [bins], or nil when they do
// not all exist.
func (d *Density) slice(lo, hi float64) []float64 {
	a, b := int(math.Ceil(lo)), int(math.Floor(hi))
	if a < 1 || b >= len(d.PSD) || b < a {
		return nil
	}
	return d.PSD[a : b+1]
}

func median(x []float64) float64 {
	if len(x) == 0 {
		return math.NaN()
	}
	s := slices.Sorted(slices.Values(x))
	return (s[(len(s)-1)/2] + s[len(s)/2]) / 2
}
