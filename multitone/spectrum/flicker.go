package spectrum

import (
	"errors"
	"math"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/stat"
)

// Flicker is a fit of white and 1/f noise, S(f) = WhitePSD + FlickerPSD·(1 Hz/f).
type Flicker struct {
	WhitePSD   float64 // [V²/Hz]
	flickerPSD float64 // the 1/f part at 1 Hz [V²/Hz]
	CornerHz   float64 // where both are equal; 0 without flicker, +Inf without white noise

	sigmaWhitePSD, sigmaFlickerPSD, SigmaCornerHz float64 // one standard deviation

	// Misfit is the scatter of PSD about the fit over the scatter that noise has: 1 for
	// a good fit, more when the noise is not of this shape or lines were missed.
	Misfit float64
}

// errFewBins reports that too few bins without lines are left to fit noise.
var errFewBins = errors.New("spectrum: fewer than 8 bins free of lines")

// FitFlicker fits white plus 1/f noise to the bins from loHz to hiHz that the lines
// leave free, by maximum (Whittle) likelihood for χ²-distributed densities:
// Σ ln S + PSD/S is smallest. Bins 0 and 1, which the removal of the mean bends, take
// no part.
func (d *Density) FitFlicker(floor Floor, lines []Line, loHz, hiHz float64) (Flicker, error) {
	busy := d.occupied(floor, lines)
	f, p := make([]float64, 0, len(d.PSD)), make([]float64, 0, len(d.PSD))
	for k := 2; k < len(d.PSD)-1; k++ {
		if hz := d.Hz(k); hz >= loHz && hz <= hiHz && !busy[k] && d.PSD[k] > 0 {
			f, p = append(f, hz), append(p, d.PSD[k])
		}
	}
	if len(f) < 8 {
		return Flicker{}, errFewBins
	}
	// Fisher scoring is least squares with weights 1/S², repeated. A negative part is
	// not physical: the fit then falls back to the other alone, whose maximum of
	// likelihood is a plain mean.
	mean, meanF := stat.Mean(p, nil), floats.Dot(p, f)/float64(len(f))
	white, pink := mean, 0.0
	var a, b, c float64 // the information [a b; b c]
	for range 100 {
		a, b, c = 0, 0, 0
		var u, v float64
		for i, fi := range f {
			r := 1 / fi
			s := white + pink*r
			w := 1 / (s * s)
			a += w
			b += w * r
			c += w * r * r
			u += w * p[i]
			v += w * p[i] * r
		}
		det := a*c - b*b
		nw, np := (u*c-v*b)/det, (v*a-u*b)/det
		switch {
		case !(np > 0):
			nw, np = mean, 0
		case !(nw > 0):
			nw, np = 0, meanF
		}
		change := math.Abs(nw-white)/mean + math.Abs(np-pink)/meanF
		white, pink = nw, np
		if change < 1e-12 {
			break
		}
	}
	r := Flicker{WhitePSD: white, flickerPSD: pink, CornerHz: math.Inf(1)}
	for i, fi := range f {
		e := p[i]/(white+pink/fi) - 1
		r.Misfit += e * e
	}
	r.Misfit = math.Sqrt(r.Misfit / float64(len(f)) * d.dof / 2)
	// Each bin carries ν/2 of information; the taper makes spread bins act as one.
	scale := d.lobe.spread / (d.dof / 2) / (a*c - b*b)
	r.sigmaWhitePSD, r.sigmaFlickerPSD = math.Sqrt(scale*c), math.Sqrt(scale*a)
	if white > 0 {
		r.CornerHz = pink / white
		q := r.CornerHz
		r.SigmaCornerHz = math.Sqrt(scale*(a+2*q*b+q*q*c)) / white
	}
	return r, nil
}

// occupied marks the bins to which a line gives more than 2 % of the floor.
func (d *Density) occupied(floor Floor, lines []Line) []bool {
	busy := make([]bool, len(d.PSD))
	for _, l := range lines {
		for _, step := range []int{-1, 1} {
			for k := l.Bin; k >= 0 && k < len(busy); k += step {
				if math.Abs(float64(k)-l.Hz/d.StepHz) > 1 && d.leak(l, k) < 0.02*floor.PSD[k] {
					break
				}
				busy[k] = true
			}
		}
	}
	return busy
}
