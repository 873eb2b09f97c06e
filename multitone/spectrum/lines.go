package spectrum

import (
	"cmp"
	"math"
	"slices"

	"gonum.org/v1/gonum/mathext"
	"gonum.org/v1/gonum/stat/distuv"
)

// Line is a narrow peak of a density, taken to be a sine.
type Line struct {
	Hz            float64
	SigmaHz       float64 // one standard deviation of Hz from the noise beside the line
	PeakV         float64 // peak amplitude [V]
	Bin           int
	ToleranceHz   float64 // how far a true frequency may reasonably lie: 3 sigma and a hundredth of a bin
	SignalToNoise float64 // mean square of the sine over the noise in one ENBW, dimensionless
}

// maxLines bounds the work and the result; a spectrum with more has other troubles.
const maxLines = 2000

// Lines returns the lines that stand out of the floor, rising in frequency. Noise
// alone yields one at all with a chance of at most falseAlarm (0.001) a spectrum:
// a bin's power over the floor follows Fisher's F with the degrees of freedom of
// both. It must stand out of what is next to it as well, on either side: the skirt of
// a tone whose level changes has peaks, but no lines. A peak that the sidelobes of a
// stronger line reach within 6 dB is not a line; nor is one that belongs to the same
// main lobe. Sines nearer than a main lobe's half width count as one.
func (d *Density) Lines(floor Floor, falseAlarm float64) []Line {
	n := len(d.PSD)
	if d.dof == 0 || n < 8 {
		return nil
	}
	perBin := -math.Expm1(math.Log1p(-falseAlarm) / float64(n))
	var peaks []int
	for k := 2; k < n-2; k++ {
		p := d.PSD[k]
		// chance costs an incomplete beta function: the comparisons come first.
		if p > d.PSD[k-1] && p >= d.PSD[k+1] && p > floor.PSD[k] && d.chance(floor, k, floor.PSD[k]) < perBin &&
			d.chance(floor, k, max(floor.PSD[k], d.shoulder(k))) < perBin {
			peaks = append(peaks, k)
		}
	}
	slices.SortFunc(peaks, func(a, b int) int { return cmp.Compare(d.PSD[b], d.PSD[a]) })
	var lines []Line
	for _, k := range peaks {
		leak := 0.0
		for _, l := range lines {
			leak += d.leak(l, k)
		}
		if d.PSD[k] < 4*leak {
			continue
		}
		if lines = append(lines, d.measure(floor, k)); len(lines) == maxLines {
			break
		}
	}
	slices.SortFunc(lines, func(a, b Line) int { return cmp.Compare(a.Hz, b.Hz) })
	return lines
}

// leak returns the density [V²/Hz] that a line may leave in bin k.
func (d *Density) leak(l Line, k int) float64 {
	return l.PeakV * l.PeakV / (2 * d.ENBWHz) * d.lobe.leak(float64(k)-l.Hz/d.StepHz)
}

// A shoulder is that of so many bins, from where a line's main lobe ends: few enough
// to follow a skirt, more than twice as many as the main lobe of another line.
const shoulderBins, shoulderClear = 24, 5

// shoulder returns the density [V²/Hz] next to a bin: the larger of the medians on its
// two sides, times the same factor as a floor's.
func (d *Density) shoulder(k int) (most float64) {
	for _, side := range []int{-1, 1} {
		var space [shoulderBins]float64
		near := space[:0]
		for i := shoulderClear; i < shoulderClear+shoulderBins; i++ {
			if at := k + side*i; at >= 1 && at < len(d.PSD) {
				near = append(near, d.PSD[at])
			}
		}
		if len(near) >= shoulderBins/2 {
			slices.Sort(near)
			most = max(most, (near[(len(near)-1)/2]+near[len(near)/2])/2)
		}
	}
	return most * d.dof / (distuv.ChiSquared{K: d.dof}).Quantile(0.5)
}

// chance returns the chance that noise of a density puts a bin as high over it, known
// as well as the floor there.
func (d *Density) chance(floor Floor, k int, density float64) float64 {
	if density == 0 {
		return 0
	}
	ratio := d.PSD[k] / density
	m := d.floorFreedom(k, floor.Reach)
	// The upper tail of F(ν, m), not one minus the lower: it reaches far below 1e-16.
	return mathext.RegIncBeta(m/2, d.dof/2, m/(m+d.dof*ratio))
}

// measure reads frequency and amplitude off the strongest bin and its stronger
// neighbour, through the taper's own transform, so that a clean sine comes back
// without bias.
func (d *Density) measure(floor Floor, k int) Line {
	side := 1
	if d.PSD[k-1] > d.PSD[k+1] {
		side = -1
	}
	noise := floor.PSD[k]
	top := math.Max(d.PSD[k]-noise, d.PSD[k]/2)
	next := math.Max(d.PSD[k+side]-noise, d.PSD[k+side]*1e-3)
	offset, slope := d.lobe.offset(math.Sqrt(next / top))
	w := d.lobe.at(offset)
	l := Line{
		Bin:   k,
		Hz:    (float64(k) + float64(side)*offset) * d.StepHz,
		PeakV: math.Sqrt(2*top*d.ENBWHz) / w,
	}
	l.SignalToNoise = l.PeakV * l.PeakV / (2 * noise * d.ENBWHz)
	variance := noise * d.lobe.ratioVariance(offset, math.Sqrt(top), math.Sqrt(next), d.overlaps, d.Segments)
	// The noise's own power matters for weak lines.
	own := noise * noise * (1/(top*top) + 1/(next*next) - 2*d.lobe.beside*d.lobe.beside/(top*next))
	variance += own / (2 * d.dof)
	l.SigmaHz = math.Sqrt(variance) / slope * d.StepHz
	l.ToleranceHz = 3*l.SigmaHz + 0.01*d.StepHz
	return l
}
