package multitone

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat"
)

// The memory of a Bank's noise estimate, in windows of the meter; how many are
// seen before the first frame is handed out; and of how many one is looked at
// once the memory is full: noise changes slowly.
const (
	meterEvery     = 4
	pooledWindows  = 32
	primingWindows = 16
)

// meter measures the noise beside every tone on every channel, under a Hann
// window whatever the phasors are averaged with: leakage is what spoils a
// noise estimate.
type meter struct {
	probes   *probes
	channels int
	memory   int       // windows after which old ones fade; 0: a plain mean of all
	scale    []float64 // [V] of a unit of the samples, by channel
	power    []float64 // channels × probes: mean residual power as variance of a white sample, times weight
	weight   []float64 // of each channel, of the windows that it was measured in: 1 of all
	seen     []int     // of each channel, how many windows that are
	doubted  []int     // of each channel, how many in a row were distrusted
	windows  int       // that went by
	out      []complex128
	white    []float64 // tones × channels: variance of a white sample [V²]
	fresh    bool      // white is up to date
}

// probes are the frequencies in the spectrum where noise is measured. Each is a
// linear function of the samples to which nothing that is fitted contributes: tones,
// the two bins beside each tone (a sensor that moves bends its phasors), drift
// and the given lines. It is scaled so that its mean square is the variance of
// a white sample.
type probes struct {
	shape  shape
	length int
	owners [][]int // of each tone
	omega  []float64
	count  int
	hz     []float64 // of the tones that they are tuned to
	sums   summer
	at     []int // where results hold a probe of a channel, channel·count + probe
}

// meterLength is long enough to see between the tones and no longer than most.
func (c *Config) meterLength(most int) int {
	want := int(math.Ceil(16 * c.SampleRate / c.minSpacing()))
	return min(max(want, 1024), maxDirect, most)
}

func newProbes(cfg *Config, length, perTone int, p Precision) (*probes, error) {
	owners, probed := cfg.probeFrequencies(length, perTone)
	if len(probed) == 0 {
		return nil, fmt.Errorf("multitone: %d samples leave no room in the spectrum to measure the noise beside the tones: take more", length)
	}
	pr := &probes{shape: shape{length, []float64{0.5, 0.5}}, length: length, owners: owners, omega: probed, count: len(probed)}
	pr.sums = newSummer(p, length, len(probed), cfg.Channels)
	for ch := range cfg.Channels {
		for i := range probed {
			pr.at = append(pr.at, pr.sums.Index(ch, i))
		}
	}
	return pr, pr.tune(cfg)
}

// tune makes the tables, for the frequencies that the tones of a configuration have by now.
func (pr *probes) tune(cfg *Config) error {
	s := pr.shape
	pr.hz = pr.hz[:0]
	for _, t := range cfg.Tones {
		pr.hz = append(pr.hz, t.Hz)
	}
	var foreign []float64
	for _, l := range cfg.Foreign {
		foreign = append(foreign, l.Hz)
	}
	omega, _ := cfg.fitted(pr.length, 2, 2, foreign, true)
	known := len(omega)
	omega = append(omega, pr.omega...)
	t := newSystem(s, omega, len(cfg.Tones), len(foreign), nil)
	n := len(omega)
	c := &combinations{columns: n}
	for part := range 2 {
		f, err := t.factor(part, known)
		if err != nil {
			return err
		}
		// What is fitted makes of each probe −G_probe,known·G_known⁻¹.
		fitted := f.solve(known, pr.count, func(p, k int) float64 { return -t.g[part].At(p, known+k) }, nil)
		rows := mat.NewDense(pr.count, n, nil)
		c.parts[part] = rows.RawMatrix().Data
		for i := range pr.count {
			row := rows.RawRowView(i)
			copy(row, fitted[i*known:(i+1)*known])
			row[known+i] = 1
			floats.Scale(1/math.Sqrt(2*t.gain(part, row)), row) // two components make a power
		}
	}
	h := tabulate(s, omega, c)
	for i := range pr.count {
		pr.sums.Set(i, 0, h.even[i], h.odd[i])
	}
	return nil
}

// off tells whether a tone turns by more than some share of a turn over a window against what
// the probes are tuned to.
func (pr *probes) off(c *Config, turns float64) bool {
	for k, t := range c.Tones {
		if math.Abs(t.Hz-pr.hz[k])*float64(pr.length) > turns*c.SampleRate {
			return true
		}
	}
	return false
}

func newMeter(p *probes, channels, memory int, scale []float64) *meter {
	m := &meter{channels: channels, memory: memory, scale: scale}
	m.white = make([]float64, len(p.owners)*channels)
	m.weight, m.seen, m.doubted = make([]float64, channels), make([]int, channels), make([]int, channels)
	m.use(p)
	return m
}

// use changes the probes; what was learnt is kept where they are as many.
func (m *meter) use(p *probes) {
	m.probes = p
	if len(m.power) != m.channels*p.count {
		m.power, m.windows = make([]float64, m.channels*p.count), 0
		clear(m.weight)
		clear(m.seen)
	}
	m.out = make([]complex128, p.sums.Size())
	m.fresh = false
}

// adopt takes over the noise [V²] beside each tone that other probes have seen, which lay
// elsewhere, in so many windows, of each channel as many as it was seen in.
func (m *meter) adopt(white []float64, windows int, seen []int) {
	n := m.probes.count
	m.windows = windows
	copy(m.seen, seen)
	for k, mine := range m.probes.owners {
		for c, s := range m.scale {
			v := white[k*m.channels+c]
			if math.IsInf(v, 1) {
				continue
			}
			for _, p := range mine {
				m.power[c*n+p] = v / (s * s)
			}
			m.weight[c] = 1
		}
	}
	m.fresh = false
}

// leastWeight is what a channel's weight must have kept of its windows for a noise
// that is known.
const leastWeight = 1e-9

// mostLost is the share of a window that may be filled in on a channel whose noise is
// measured in it.
const mostLost = 0.5

// observe measures the noise in one window of samples. lost is the share of each
// channel's squared weights that was filled in with what has no noise; nil: nothing.
func observe[S sample](m *meter, x []S, lost []float64) {
	sum(m.probes.sums, m.out, x)
	n := m.probes.count
	for c, old := range m.weight {
		part := 0.0
		if lost != nil {
			part = lost[c]
		}
		if part > 0 && m.distrusts(c, part) { // it takes nothing from what is known
			continue
		}
		m.doubted[c] = 0
		keep := float64(m.seen[c])
		if m.memory > 0 {
			keep = min(keep, float64(m.memory-1))
		}
		share := 1 / (keep + 1)
		if m.weight[c] = old * (1 - share); m.memory > 0 && m.weight[c] > leastKnown && m.seen[c] >= fewWindows && m.outlying(c, old) {
			for i := c * n; i < (c+1)*n; i++ {
				m.power[i] *= 1 - share
			}
			continue
		}
		m.seen[c]++
		m.weight[c] += share
		for i := c * n; i < (c+1)*n; i++ {
			old := m.power[i]
			m.power[i] = old + (abs2(m.out[m.probes.at[i]])/(1-part)-old)*share // what was filled in has none
		}
	}
	m.windows++
	m.fresh = false
}

const (
	// leastKnown is the weight that a channel keeps where windows are passed over as
	// outlying. More of them in a row, a fifth of the memory or so, are a noise that has
	// risen; so is what comes in every fourth.
	leastKnown = 0.75
	// fewWindows tell no window from the others yet.
	fewWindows = 8
	// fewLost is the share of a window that may be filled in where nothing is known yet.
	fewLost = 0.02
	// wild is how many times the known power is beyond what a few windows' chance, or noise that
	// wavers, could make.
	wild = 100
)

// distrusts tells whether a window of which a part was filled in is passed over: too little is
// left of it, or it differs from what is known. Beside a gap too long to be filled in, what stands
// there is off the tones by far more than any noise. Where windows in a row are all like this, it
// is the noise.
func (m *meter) distrusts(c int, part float64) bool {
	if part > mostLost {
		return true
	}
	doubtful, most := false, fewWindows
	switch {
	case m.seen[c] == 0:
		doubtful, most = part > fewLost, fewWindows/2
	case m.seen[c] < fewWindows:
		doubtful = m.wild(c)
	default:
		doubtful = m.outlying(c, m.weight[c])
	}
	if !doubtful || m.doubted[c] >= most {
		return false
	}
	m.doubted[c]++
	return true
}

// wild tells the same as outlying, of a channel that was seen in so few windows that the powers of single
// probes are hardly known: by their sum.
func (m *meter) wild(c int) bool {
	n := m.probes.count
	sum, known := 0.0, 0.0
	for i := c * n; i < (c+1)*n; i++ {
		sum, known = sum+abs2(m.out[m.probes.at[i]]), known+m.power[i]
	}
	return sum*m.weight[c] > wild*known
}

// outlying tells whether the window at hand is none to learn the noise of a channel, of
// a weight, from: a burst lies in it, or a sensor jumps. Relative to what is known, the powers of
// probes are squares of two normal components: their mean is 1 ± 1/√n, and 1 + 10/√n is no
// chance event; as much again leaves room for what is known of a few windows, and for
// noise that wavers.
func (m *meter) outlying(c int, weight float64) bool {
	n := m.probes.count
	sum := 0.0
	for i := c * n; i < (c+1)*n; i++ {
		if v := abs2(m.out[m.probes.at[i]]); v > 0 {
			sum += v * weight / m.power[i]
		}
	}
	return sum > 2*(1+10/math.Sqrt(float64(n)))*float64(n)
}

// leastVariance [V²] is far below any noise. Squares of samples near the least number of float64
// vanish, and a variance of zero would be certainty.
const leastVariance = 1e-280

// variances are those of white samples [V²] whose density equals the noise
// beside each tone on each channel, tones × channels.
func (m *meter) variances() []float64 {
	if m.fresh {
		return m.white
	}
	n := m.probes.count
	for k, mine := range m.probes.owners {
		for c, s := range m.scale {
			v := math.Inf(1)
			if w := m.weight[c]; w > leastWeight {
				v = max(leastVariance, s*s*m.typical(m.power[c*n:(c+1)*n], mine, m.seen[c])/w)
			}
			m.white[k*m.channels+c] = v
		}
	}
	m.fresh = true
	return m.white
}

// typical is the power of a tone's probes, so that its inverse has no bias. One that some unknown line sits
// on stands out against the median of its neighbours and is left out.
func (m *meter) typical(power []float64, mine []int, seen int) float64 {
	if len(mine) == 0 { // nothing free near this tone: all there are
		return stat.Mean(power, nil)
	}
	// A power is a mean over windows of the squares of two components, with a
	// relative deviation of 1/√windows; six above the median is no chance event.
	windows := float64(max(seen, 1))
	if m.memory > 0 {
		windows = min(windows, 2*float64(m.memory))
	}
	outlying := 1 + 6/math.Sqrt(windows) + 3/windows
	var sum float64
	low, high := math.Inf(1), 0.0
	for _, p := range mine {
		v := power[p]
		sum += v
		low, high = min(low, v), max(high, v)
	}
	n := len(mine)
	if high > low*outlying {
		var space [intervalProbes + 1]float64
		sorted := space[:n]
		for i, p := range mine {
			sorted[i] = power[p]
		}
		slices.Sort(sorted)
		limit := (sorted[n/2] + sorted[(n-1)/2]) / 2 * outlying
		for n > 1 && sorted[n-1] > limit {
			n--
		}
		sum = 0
		for _, v := range sorted[:n] {
			sum += v
		}
	}
	// Weights are inverse variances: what must be right in the mean is 1/σ², and
	// of ν squares E[1/mean] = ν/(ν−2). Probes 1.5 bins apart share 15 % of their
	// power, windows that overlap by half 3 %.
	freedom := max(2*float64(n)*windows/1.37, 4)
	return sum / float64(n) * freedom / (freedom - 2)
}
