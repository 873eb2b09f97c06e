package spectrum

import "math"

// Mains is the power line's frequency as seen in a spectrum.
type Mains struct {
	Hz        float64 // fundamental
	SigmaHz   float64 // from the harmonics' own sigmas and a grid's usual wander
	Family    int     // 50 or 60
	Harmonics []int   // found, rising
}

// mainsDeviation is how far a grid strays from its nominal frequency, relative.
// Public grids hold ±1 % in nearly all of a year (EN 50160: 49.5 to 50.5 Hz for
// 99.5 % of it).
const mainsDeviation = 0.01

// mainsHarmonics is the highest harmonic that is looked at. Beyond, ±1 % covers
// the whole distance to the next harmonic's.
const mainsHarmonics = 49

// MostHarmonics is the highest harmonic of a mains whose frequency is well known.
const MostHarmonics = 100

// mainsProposals is the highest harmonic that may propose a fundamental: ±1 % of it
// is still well apart from its neighbours.
const mainsProposals = 9

// MainsWanderHz is how far a grid moves while a recording lasts; harmonic n moves n
// times as far. Common practice: some 10 mHz within minutes.
const MainsWanderHz = 0.01

// FindMains looks for lines at common multiples of a frequency near 50 or 60 Hz and
// refines that frequency from all of them. It needs the fundamental or two
// harmonics, and among the families takes the one that explains the more power on
// a logarithmic scale: twice as much as a family between them, which is no grid's
// and shows what comes by chance where lines are many.
func FindMains(lines []Line) (Mains, bool) {
	best, score := bestOfFamily(lines, 50)
	if m, s := bestOfFamily(lines, 60); s > score {
		best, score = m, s
	}
	if _, chance := bestOfFamily(lines, 55); score <= 2*chance {
		return Mains{}, false
	}
	return best, true
}

// bestOfFamily lets each low harmonic propose a fundamental.
func bestOfFamily(lines []Line, family int) (best Mains, bestScore float64) {
	nominal := float64(family)
	for _, l := range lines {
		n := int(math.Round(l.Hz / nominal))
		if n < 1 || n > mainsProposals || math.Abs(l.Hz/(float64(n)*nominal)-1) > mainsDeviation {
			continue
		}
		m, score := fitMains(lines, l.Hz/float64(n), l.ToleranceHz/float64(n), family)
		if len(m.Harmonics) == 0 || (m.Harmonics[0] != 1 && len(m.Harmonics) < 2) {
			continue
		}
		if score > bestScore {
			best, bestScore = m, score
		}
	}
	return best, bestScore
}

// fitMains gathers the lines near multiples of hz, strongest per multiple, and
// solves for the fundamental by weighted least squares.
func fitMains(lines []Line, hz, tolerance float64, family int) (Mains, float64) {
	m := Mains{Family: family, Hz: hz}
	score := 0.0
	var top, bottom float64
	for n := 1; n <= mainsHarmonics; n++ {
		at := -1
		for i, l := range lines {
			if math.Abs(l.Hz-float64(n)*hz) <= l.ToleranceHz+float64(n)*(tolerance+MainsWanderHz) && (at < 0 || l.PeakV > lines[at].PeakV) {
				at = i
			}
		}
		if at < 0 {
			continue
		}
		l := lines[at]
		sigma := math.Hypot(l.ToleranceHz/3, float64(n)*MainsWanderHz)
		weight := 1 / (sigma * sigma)
		top += weight * float64(n) * l.Hz
		bottom += weight * float64(n*n)
		m.Harmonics = append(m.Harmonics, n)
		score += math.Log1p(l.SignalToNoise)
	}
	if bottom > 0 {
		m.Hz, m.SigmaHz = top/bottom, 1/math.Sqrt(bottom)
	}
	if math.Abs(m.Hz/float64(family)-1) > mainsDeviation {
		return Mains{}, 0
	}
	return m, score
}
