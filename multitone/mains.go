package multitone

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/stat"

	"tonepose/multitone/spectrum"
)

const (
	mainsSeconds = 4.0 // how much of a recording is looked at
	// Least rate of the averaged samples [Hz]: a bench's tones lie below half
	// of it, so that little folds back on the mains, where a moving sensor's
	// sidebands would look like it.
	mainsRate   = 20000
	mainsSpread = 0.6  // of the fundamental about 50 or 60 Hz [Hz]
	mainsLevel  = 30.0 // power over the local floor that counts as a line: exp(−30) by chance
)

// Mains looks for the harmonics of 50 or 60 Hz in a few seconds of samples,
// averaged to a lower rate under a triangle two output steps wide. What known
// tones and their harmonics bring there is no evidence of mains.
type Mains struct {
	// Latest keeps the last seconds of what is written; else the first are kept.
	Latest bool

	sampleRate float64
	ratio      int
	tones      []float64 // [Hz]
	weights    []float64 // of the rising edge
	series     [][]float64
	limit      int
	oldest     int       // index of the first value, once the series are full
	rising     []float64 // weighted sums of the step being filled
	falling    []float64
	before     []float64 // the last step's rising sums
	count      int
}

// NewMains prepares the search in samples of a rate [Hz] on so many channels,
// beside tones of given nominal frequencies.
func NewMains(sampleRate float64, channels int, tones []Tone) *Mains {
	m := &Mains{sampleRate: sampleRate, ratio: max(1, int(sampleRate/mainsRate))}
	for _, t := range tones {
		m.tones = append(m.tones, t.Hz)
	}
	m.rising, m.falling, m.before = make([]float64, channels), make([]float64, channels), make([]float64, channels)
	m.weights = make([]float64, m.ratio)
	for k := range m.weights {
		m.weights[k] = (float64(k) + 0.5) / float64(m.ratio)
	}
	m.series = make([][]float64, channels)
	m.limit = int(mainsSeconds * sampleRate / float64(m.ratio))
	return m
}

// Expect makes room, before the first samples, for what a recording of so many will
// hold; a negative number: not known.
func (m *Mains) Expect(samples int64) {
	for c := range m.series {
		m.series[c] = make([]float64, 0, room(m.limit, samples, m.ratio))
	}
}

// room is how many of at most limit values so many samples make, a step each.
func room(limit int, samples int64, step int) int {
	if samples < 0 {
		return limit
	}
	return int(min(int64(limit), samples/int64(step)))
}

// Write feeds samples, channel by channel.
func (m *Mains) Write(x [][]float64) {
	for i := 0; i < len(x[0]) && (m.Latest || !m.Full()); {
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
		full := m.Full()
		for c := range m.series {
			v := (m.before[c] + m.falling[c]) / float64(m.ratio)
			m.before[c], m.rising[c], m.falling[c] = m.rising[c], 0, 0
			if full {
				m.series[c][m.oldest] = v
			} else {
				m.series[c] = append(m.series[c], v)
			}
		}
		if m.count = 0; full {
			m.oldest = (m.oldest + 1) % m.limit
		}
	}
}

// Restart forgets what was written, in the memory at hand. A Snapshot must not be in
// use any more.
func (m *Mains) Restart() {
	for c := range m.series {
		m.series[c] = m.series[c][:0]
	}
	clear(m.rising)
	clear(m.falling)
	clear(m.before)
	m.count, m.oldest = 0, 0
}

// Values is how many averaged samples there are of each channel.
func (m *Mains) Values() int { return len(m.series[0]) }

// Full tells that the first seconds are complete.
func (m *Mains) Full() bool { return len(m.series[0]) >= m.limit }

// Snapshot is a copy of what there is so far, to be asked for Lines while more
// is written.
func (m *Mains) Snapshot() *Mains {
	c := *m
	if !m.Latest { // what is there is not written again
		c.series = slices.Clone(m.series)
		return &c
	}
	c.series, c.oldest = make([][]float64, len(m.series)), 0
	for i, s := range m.series {
		c.series[i] = append(slices.Clone(s[m.oldest:]), s[:m.oldest]...)
	}
	return &c
}

// Lines returns the fundamental [Hz] with its standard deviation and the harmonics that
// stand out of the noise on any channel, with their powers on all of them; 0 and none if
// there is no mains. It may be asked at any time.
func (m *Mains) Lines() (fundamental, sigma float64, lines []Line) {
	if m.oldest > 0 {
		m = m.Snapshot()
	}
	n := m.smooth()
	rate := m.sampleRate / float64(m.ratio)
	if float64(n) < 0.1*rate {
		return 0, 0, nil // shorter than five periods: nothing to tell apart
	}
	var best float64
	spectra := m.spectra(n)
	step := spectra[0].step / 4
	for _, nominal := range []float64{50, 60} {
		if f, score := strongest(spectra, nominal-mainsSpread, nominal+mainsSpread, step); score > best {
			best, fundamental = score, f
		}
	}
	// Where lines are many, as of motion, some fit any frequency.
	if _, chance := strongest(spectra, 53, 57, step); best == 0 || best < 2*chance {
		return 0, 0, nil
	}
	fundamental, sigma = refine(spectra, fundamental)
	if off := math.Min(math.Abs(fundamental-50), math.Abs(fundamental-60)); off > 0.9*mainsSpread {
		return 0, 0, nil // the edge of something broader, not a grid's frequency
	}
	for h := 1; h <= spectrum.MostHarmonics; h++ {
		f := float64(h) * fundamental
		if slices.ContainsFunc(spectra, func(s comb) bool { return s.excess(f) > 0 }) {
			lines = append(lines, m.measure(spectra, f, n))
		}
	}
	if len(lines) == 0 {
		return 0, 0, nil
	}
	return fundamental, sigma, lines
}

// spectra are those of the first n values of each channel, under a Hann window.
func (m *Mains) spectra(n int) (spectra []comb) {
	rate := m.sampleRate / float64(m.ratio)
	const pad = 2
	taper := make([]float64, pad*n) // zero over the padding
	for i := range n {
		taper[i] = shape{n, []float64{0.5, 0.5}}.at(float64(i) - float64(n-1)/2)
	}
	transform := spectrum.NewTransform(taper)
	padded := make([]float64, pad*n)
	known := m.known(pad*n/2+1, pad*n)
	for _, s := range m.series {
		copy(padded, s[:n])
		power := make([]float64, pad*n/2+1)
		transform.Powers(power, padded, nil, stat.Mean(s[:n], nil))
		spectra = append(spectra, comb{power, rate / float64(pad*n), pad, known})
	}
	return spectra
}

// measure tells the powers of a line on all channels, and the noise beside it, from
// spectra of n values.
func (m *Mains) measure(spectra []comb, hz float64, n int) Line {
	// A line of amplitude a has the power (a·Σw/2)² in its bin, Σw = n/2; noise of n
	// values, as an amplitude squared, a mean of 4·1.5/n times the variance of one,
	// and each is a mean of ratio samples.
	scale := 16 / float64(n*n)
	l := Line{Hz: hz}
	for _, s := range spectra {
		i := int(math.Round(hz / s.step))
		floor, _ := s.floor(i)
		power := max(s.power[i-1], s.power[i], s.power[i+1])
		l.Power = append(l.Power, max(0, power-floor)*scale)
		l.Noise = append(l.Noise, floor*scale*float64(n*m.ratio)/6)
	}
	return l
}

// smooth is how many of the values a fast transform takes.
func (m *Mains) smooth() int {
	n := len(m.series[0])
	for n > 1 && !spectrum.Smooth(n) {
		n--
	}
	return n
}

// strongest is the fundamental between two frequencies of which the first ten
// harmonics stand out most, and by how much.
func strongest(spectra []comb, from, to, step float64) (fundamental, best float64) {
	for f := from; f <= to; f += step {
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
	return fundamental, best
}

const (
	// toneBins is how far a tone reaches in the spectrum: from there on its
	// sidelobes under a Hann window, of 1/(πd(d²−1)), are no more than mainsLevel
	// over the median of those around them.
	toneBins = 6
	// toneOffset is how far its frequency may be from nominal, relative.
	toneOffset = 200e-6
	// toneHarmonics of high tones are expected, wherever they fold to; of low ones
	// all that lie among the harmonics of the mains.
	toneHarmonics = 3
)

// known marks the bins that tones and their harmonics reach, in a transform of
// size values: sampling folds them, and again the averaged samples' rate.
func (m *Mains) known(bins, size int) []bool {
	known := make([]bool, bins)
	rate := m.sampleRate / float64(m.ratio)
	step := rate / float64(size)
	const top = spectrum.MostHarmonics * (60 + mainsSpread)
	width := toneBins * rate / float64(len(m.series[0]))
	for _, hz := range m.tones {
		comb := hz > 4*width // else its harmonics would leave nothing free
		for h := 1.0; h <= toneHarmonics || comb && h*hz <= top; h++ {
			at := spectrum.Alias(spectrum.Alias(h*hz, m.sampleRate), rate)
			reach := width + toneOffset*h*hz
			for i := max(0, int((at-reach)/step)); i < bins && float64(i) <= (at+reach)/step; i++ {
				known[i] = true
			}
		}
	}
	return known
}

// comb is a power spectrum with its step [Hz] and zero-padding factor, and the
// bins that tones reach.
type comb struct {
	power []float64
	step  float64
	pad   int
	known []bool
}

// excess is the logarithm of the power at f over mainsLevel times the floor
// around it, 0 where it is less.
func (s comb) excess(f float64) float64 {
	i := int(math.Round(f / s.step))
	if i < len(s.known) && s.known[i] {
		return 0
	}
	var space [mostAround]float64
	around := s.around(space[:0], i)
	if len(around) == 0 {
		return 0
	}
	// Their median need not be found where half of them are so large that this is no line,
	// beyond what rounding decides.
	least, large := s.power[i]*math.Ln2/mainsLevel*(1+1e-9), 0
	for _, p := range around {
		if p >= least {
			large++
		}
	}
	if large >= len(around)-len(around)/2 {
		return 0
	}
	floor, ok := floorOf(around)
	if !ok || s.power[i] <= mainsLevel*floor {
		return 0
	}
	return math.Log(s.power[i] / (mainsLevel * floor))
}

// floor is the noise power about a bin; false where the spectrum ends too near.
func (s comb) floor(i int) (power float64, ok bool) {
	var space [mostAround]float64
	return floorOf(s.around(space[:0], i))
}

// mostAround is how many powers are looked at about a bin, at most.
const mostAround = 64

// around appends to list the powers about a bin; none where the spectrum ends too near.
func (s comb) around(list []float64, i int) []float64 {
	clear := 4 * s.pad // outside of the line's own lobe
	reach := 12 * s.pad
	if i-reach < 1 {
		reach = i - 1
	}
	if reach <= clear || i+reach >= len(s.power) {
		clear = max(reach*2/3, 1)
		if i < 2 || i+reach >= len(s.power) {
			return nil
		}
	}
	for d := clear; d <= reach; d += s.pad {
		list = append(list, s.power[i-d], s.power[i+d])
	}
	return list
}

// floorOf is the noise power that powers about a bin, whose order it changes, tell.
func floorOf(around []float64) (power float64, ok bool) {
	if len(around) == 0 {
		return 0, false
	}
	slices.Sort(around)
	power = around[len(around)/2] / math.Ln2 // median of an exponential law to its mean
	return power, power > 0
}

// peak is where a harmonic stands in one spectrum.
type peak struct {
	harmonic int
	hz       float64
	variance float64 // [Hz²]
}

// refine fits the fundamental to the peaks of the harmonics that stand out. The
// higher a harmonic the more it tells, and the better the fundamental must be
// known to find it: the fit goes from the lowest ones upwards.
func refine(spectra []comb, fundamental float64) (hz, sigma float64) {
	hz = fundamental
	sigma = spectra[0].step / 4 // of the search's grid
	for _, most := range []int{5, 12, 30, spectrum.MostHarmonics} {
		var peaks []peak
		for _, s := range spectra {
			for h := 1; h <= most; h++ {
				if p, ok := s.peak(float64(h)*hz, 4*float64(h)*sigma); ok {
					p.harmonic = h
					peaks = append(peaks, p)
				}
			}
		}
		if len(peaks) > 0 {
			hz, sigma = fundamentalOf(peaks)
		}
	}
	return hz, sigma
}

// peakFloor is how well a peak is known where noise does not count [bins]: a
// sensor that turns in the mains field moves it, by some tenths at most, and so
// does what leaks from beside it.
const peakFloor = 0.1

// peak finds the highest value that stands out within some reach of f [Hz], and
// at least two bins, where a parabola through the logarithms of three powers
// has its top. The variance is the Cramér–Rao bound, 6/(π²·SNR·T²) with SNR the
// ratio of powers in the bin, times the 1.5 that a Hann window costs.
func (s comb) peak(f, reach float64) (peak, bool) {
	from := int(math.Round((f - reach) / s.step))
	to := int(math.Round((f + reach) / s.step))
	from, to = max(min(from, int(f/s.step)-2*s.pad), 1), min(max(to, int(f/s.step)+2*s.pad), len(s.power)-2)
	best := -1
	for i := from; i <= to; i++ {
		if !s.known[i] && s.power[i] >= s.power[i-1] && s.power[i] > s.power[i+1] && (best < 0 || s.power[i] > s.power[best]) {
			best = i
		}
	}
	if best < 0 {
		return peak{}, false
	}
	excess := s.excess(float64(best) * s.step)
	if excess == 0 {
		return peak{}, false
	}
	a, b, c := math.Log(s.power[best-1]), math.Log(s.power[best]), math.Log(s.power[best+1])
	bin := s.step * float64(s.pad)
	noise := 1.5 * 6 / (math.Pi * math.Pi) / (mainsLevel * math.Exp(excess))
	return peak{hz: (float64(best) + 0.5*(a-c)/(a-2*b+c)) * s.step, variance: bin * bin * (peakFloor*peakFloor + noise)}, true
}

// fundamentalOf is the frequency of which the peaks are harmonics, by least squares;
// those that lie off by more than four times what is usual, in units of their
// sigmas, are no harmonics. Sigma grows with the peaks' scatter.
func fundamentalOf(peaks []peak) (hz, sigma float64) {
	limit := math.Inf(1)
	off := make([]float64, len(peaks))
	for range 4 {
		var num, den, chi2 float64
		n := 0
		for i, p := range peaks {
			if off[i] > limit {
				continue
			}
			h := float64(p.harmonic)
			num += h * p.hz / p.variance
			den += h * h / p.variance
			n++
		}
		hz = num / den
		for i, p := range peaks {
			was := off[i]
			off[i] = math.Abs(p.hz-float64(p.harmonic)*hz) / math.Sqrt(p.variance)
			if was <= limit {
				chi2 += off[i] * off[i]
			}
		}
		sigma = math.Sqrt(max(1, chi2/float64(max(n-1, 1))) / den)
		sorted := slices.Sorted(slices.Values(off))
		limit = max(4*sorted[len(sorted)/2]/0.6745, 2)
	}
	return hz, sigma
}
