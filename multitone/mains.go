package multitone

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/dsp/fourier"
)

const (
	mainsSeconds = 4.0 // how much of a recording is looked at
	// Least rate of the averaged samples [Hz]: a bench's tones lie below half
	// of it, so that little folds back on the mains, where a moving sensor's
	// sidebands would look like it.
	mainsRate      = 20000
	mainsHarmonics = 100
	mainsSpread    = 0.6  // of the fundamental about 50 or 60 Hz [Hz]
	mainsLevel     = 30.0 // power over the local floor that counts as a line: exp(−30) by chance
)

// Mains looks for the harmonics of 50 or 60 Hz in the first seconds of a
// recording, on samples averaged to a lower rate under a triangle two output
// steps wide.
type Mains struct {
	sampleRate float64
	ratio      int
	weights    []float64 // of the rising edge
	series     [][]float64
	limit      int
	rising     []float64 // weighted sums of the step being filled
	falling    []float64
	before     []float64 // the last step's rising sums
	count      int
}

// NewMains prepares the search.
func NewMains(sampleRate float64, channels int) *Mains {
	m := &Mains{sampleRate: sampleRate, ratio: max(1, int(sampleRate/mainsRate))}
	m.rising, m.falling, m.before = make([]float64, channels), make([]float64, channels), make([]float64, channels)
	m.weights = make([]float64, m.ratio)
	for k := range m.weights {
		m.weights[k] = (float64(k) + 0.5) / float64(m.ratio)
	}
	m.series = make([][]float64, channels)
	m.limit = int(mainsSeconds * sampleRate / float64(m.ratio))
	return m
}

// Write feeds samples, channel by channel.
func (m *Mains) Write(x [][]float64) {
	for i := 0; i < len(x[0]) && !m.Full(); {
		n := min(m.ratio-m.count, len(x[0])-i)
		weights := m.weights[m.count : m.count+n]
		for c := range x {
			rising, falling := m.rising[c], m.falling[c]
			for k, v := range x[c][i : i+n] {
				w := weights[k]
				rising += w * v
				falling += (1 - w) * v
			}
			m.rising[c], m.falling[c] = rising, falling
		}
		m.count += n
		i += n
		if m.count < m.ratio {
			continue
		}
		for c := range m.series {
			m.series[c] = append(m.series[c], (m.before[c]+m.falling[c])/float64(m.ratio))
			m.before[c], m.rising[c], m.falling[c] = m.rising[c], 0, 0
		}
		m.count = 0
	}
}

// Full tells that no more samples are needed.
func (m *Mains) Full() bool { return len(m.series[0]) >= m.limit }

// Lines returns the fundamental [Hz] and the frequencies of the harmonics
// that stand out of the noise on any channel; 0 and none if there is no mains.
func (m *Mains) Lines() (fundamental float64, lines []float64) {
	n := smooth(len(m.series[0]))
	rate := m.sampleRate / float64(m.ratio)
	if float64(n) < 0.1*rate {
		return 0, nil // shorter than five periods: nothing to tell apart
	}
	const pad = 2
	fft := fourier.NewFFT(pad * n)
	taper := make([]float64, n)
	shape{n, []float64{0.5, 0.5}}.fill(taper)
	padded, coefficients := make([]float64, pad*n), make([]complex128, pad*n/2+1)
	var best float64
	var spectra []comb
	for _, s := range m.series {
		offset := mean(s[:n])
		for i, w := range taper { // behind them the padding stays zero
			padded[i] = (s[i] - offset) * w
		}
		fft.Coefficients(coefficients, padded)
		power := make([]float64, len(coefficients))
		for i, v := range coefficients {
			power[i] = real(v)*real(v) + imag(v)*imag(v)
		}
		spectra = append(spectra, comb{power, rate / float64(pad*n), pad})
	}
	step := rate / float64(pad*n) / 4
	for _, nominal := range []float64{50, 60} {
		for f := nominal - mainsSpread; f <= nominal+mainsSpread; f += step {
			var score float64
			for _, s := range spectra {
				for h := 1; h <= 10; h++ {
					score += s.excess(float64(h) * f)
				}
			}
			if score > best {
				best, fundamental = score, f
			}
		}
	}
	if best == 0 {
		return 0, nil
	}
	fundamental = refine(spectra, fundamental)
	if off := math.Min(math.Abs(fundamental-50), math.Abs(fundamental-60)); off > 0.9*mainsSpread {
		return 0, nil // the edge of something broader, not a grid's frequency
	}
	for h := 1; h <= mainsHarmonics; h++ {
		f := float64(h) * fundamental
		if slices.ContainsFunc(spectra, func(s comb) bool { return s.excess(f) > 0 }) {
			lines = append(lines, f)
		}
	}
	if len(lines) == 0 {
		return 0, nil
	}
	return fundamental, lines
}

// comb is a power spectrum with its step [Hz] and zero-padding factor.
type comb struct {
	power []float64
	step  float64
	pad   int
}

// excess is the logarithm of the power at f over mainsLevel times the floor
// around it, 0 where it is less.
func (s comb) excess(f float64) float64 {
	i := int(math.Round(f / s.step))
	clear := 4 * s.pad // outside of the line's own lobe
	reach := 12 * s.pad
	if i-reach < 1 {
		reach = i - 1
	}
	if reach <= clear || i+reach >= len(s.power) {
		clear = max(reach*2/3, 1)
		if i < 2 || i+reach >= len(s.power) {
			return 0
		}
	}
	var around []float64
	for d := clear; d <= reach; d += s.pad {
		around = append(around, s.power[i-d], s.power[i+d])
	}
	slices.Sort(around)
	floor := around[len(around)/2] / math.Ln2 // median of an exponential law to its mean
	if !(floor > 0) || s.power[i] <= mainsLevel*floor {
		return 0
	}
	return math.Log(s.power[i] / (mainsLevel * floor))
}

// refine fits the fundamental to the peaks of the harmonics that stand out,
// weighted by what each tells: its order squared times its power.
func refine(spectra []comb, fundamental float64) float64 {
	var num, den float64
	for _, s := range spectra {
		for h := 1; h <= mainsHarmonics; h++ {
			f := float64(h) * fundamental
			e := s.excess(f)
			if e == 0 {
				continue
			}
			i := int(math.Round(f / s.step))
			for i+1 < len(s.power) && s.power[i+1] > s.power[i] && float64(i)*s.step-f < 2*float64(s.pad)*s.step {
				i++
			}
			for i > 1 && s.power[i-1] > s.power[i] && f-float64(i)*s.step < 2*float64(s.pad)*s.step {
				i--
			}
			if i < 1 || i+1 >= len(s.power) {
				continue
			}
			a, b, c := math.Log(s.power[i-1]), math.Log(s.power[i]), math.Log(s.power[i+1])
			shift := 0.5 * (a - c) / (a - 2*b + c)
			w := min(math.Exp(e), 1e6)
			num += w * float64(h) * (float64(i) + shift) * s.step
			den += w * float64(h) * float64(h)
		}
	}
	if den == 0 {
		return fundamental
	}
	return num / den
}

// smooth is the largest product of 2, 3 and 5 up to n: other lengths make the
// transform slow.
func smooth(n int) int {
	best := 1
	for a := 1; a <= n; a *= 2 {
		for b := a; b <= n; b *= 3 {
			for c := b; c <= n; c *= 5 {
				best = max(best, c)
			}
		}
	}
	return best
}
