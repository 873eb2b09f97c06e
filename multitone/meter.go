package multitone

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"
)

// The noise of a phasor is what stands in the spectrum beside its tone: near
// enough that flicker noise has not changed, far enough that neither the tone
// nor the sidebands that motion puts round it remain.
const (
	probesPerTone = 6
	probeClear    = 4.0 // bins between a probe and any tone
	probeStep     = 1.5 // bins between probes: Hann windows are then nearly independent
	probeReach    = 40.0
	pooledFrames  = 16 // the memory of a Bank's noise estimate
)

// meter measures the noise beside every tone on every channel, under a Hann
// window whatever the phasors are averaged with: leakage is what spoils a
// noise estimate. Tones, the two bins beside each tone (a sensor that moves
// bends its phasors) and the given lines are fitted and taken out first.
type meter struct {
	cfg        *Config
	projection *projection
	known      int // fitted columns; the probes follow
	probes     [][]int
	even, odd  []float64 // probes × columns: projections to residuals
	scale      [2][]float64
	power      []float64 // channels × probes: pooled residual power per white sample variance [V²]
	frames     int
	pool       bool // exponential memory instead of a plain mean
	residual   []complex128
	buffer     [][]float64
	filled     int
	sorted     []float64
}

// meterLength is long enough to see between the tones and no longer than most.
func (c *Config) meterLength(most int) int {
	want := int(math.Ceil(16 * c.SampleRate / c.minSpacing()))
	return min(max(want, 1024), maxChunk, most)
}

func newMeter(c *Config, length int, pool bool) (*meter, error) {
	m := &meter{cfg: c, pool: pool}
	m.buffer = make([][]float64, c.Channels)
	for i := range m.buffer {
		m.buffer[i] = make([]float64, length)
	}
	return m, m.tune(length)
}

func (m *meter) tune(length int) error {
	c := m.cfg
	s := shape{length, []float64{0.5, 0.5}}
	omega := c.fitted(length, 2, true)
	m.known = len(omega)
	var probes []float64
	m.probes, probes = c.placeProbes(length)
	omega = append(omega, probes...)
	m.projection = newProjection(s, omega, c.Channels)
	m.residual = make([]complex128, len(probes))
	if len(m.power) != c.Channels*len(probes) {
		m.power = make([]float64, c.Channels*len(probes))
		m.frames = 0
	}
	sq := s.squared()
	for part, sign := range []float64{1, -1} {
		g, q := gram(s, omega, omega, sign), gram(sq, omega, omega, sign)
		inv, err := solveRows(g.Slice(0, m.known, 0, m.known), parts(s, omega, sign), m.known)
		if err != nil {
			return err
		}
		var cross mat.Dense
		cross.Mul(g.Slice(m.known, len(omega), 0, m.known), mat.NewDense(m.known, m.known, inv))
		rows := make([]float64, len(probes)*len(omega))
		scale := make([]float64, len(probes))
		for p := range probes {
			row := rows[p*len(omega) : (p+1)*len(omega)]
			for j := range m.known {
				row[j] = -cross.At(p, j)
			}
			row[m.known+p] = 1
			v := mat.NewVecDense(len(omega), row)
			scale[p] = 1 / mat.Inner(v, q, v)
		}
		m.scale[part] = scale
		if part == 0 {
			m.even = rows
		} else {
			m.odd = rows
		}
	}
	return nil
}

// fitted lists the columns of a joint fit [rad/sample]: the tones first, then
// slow drift, then the resolved lines, then, if wanted, both neighbour bins of
// every tone that has room for them.
func (c *Config) fitted(length int, halfLobe float64, sidebands bool) []float64 {
	bin := 2 * math.Pi / float64(length)
	var omega []float64
	for _, t := range c.Tones {
		omega = append(omega, c.omega(t.Hz))
	}
	omega = append(omega, 0, driftBins*bin) // offset and ramp
	for _, hz := range c.resolved(c.Lines, length, halfLobe) {
		omega = append(omega, c.omega(hz))
	}
	if !sidebands {
		return omega
	}
	for _, t := range c.Tones {
		for _, side := range []float64{-1, 1} {
			w := c.omega(t.Hz) + side*bin
			if c.clear(w, omega, 0.9*bin) {
				omega = append(omega, w)
			}
		}
	}
	return omega
}

func (c *Config) clear(w float64, omega []float64, distance float64) bool {
	if w < distance || w > math.Pi-distance {
		return false
	}
	for _, o := range omega {
		if math.Abs(o-w) < distance {
			return false
		}
	}
	return true
}

// placeProbes gives every tone its nearest free places. Tones share a place
// where their neighbourhoods meet.
func (c *Config) placeProbes(length int) (owners [][]int, omega []float64) {
	bin := 2 * math.Pi / float64(length)
	var occupied, lines []float64
	for _, t := range c.Tones {
		occupied = append(occupied, c.omega(t.Hz))
	}
	for _, hz := range c.Lines {
		lines = append(lines, c.omega(hz))
	}
	owners = make([][]int, len(c.Tones))
	for _, clearance := range []float64{probeClear, 2.5, 1.5} {
		for k, t := range c.Tones {
			for d := clearance; d < probeReach && len(owners[k]) < probesPerTone; d += probeStep {
				for _, side := range []float64{-1, 1} {
					w := c.omega(t.Hz) + side*d*bin
					if w < probeClear*bin || w > math.Pi-probeClear*bin ||
						!c.clear(w, occupied, clearance*bin*0.999) || !c.clear(w, lines, 2*bin) {
						continue
					}
					near := slices.IndexFunc(omega, func(o float64) bool { return math.Abs(o-w) < probeStep/2*bin })
					if near < 0 {
						near = len(omega)
						omega = append(omega, w)
					}
					if !slices.Contains(owners[k], near) {
						owners[k] = append(owners[k], near)
					}
				}
			}
		}
	}
	return owners, omega
}

// observe measures the noise in one window of samples.
func (m *meter) observe(x [][]float64) {
	m.projection.add(0, x)
	n := len(m.projection.omega)
	keep := float64(m.frames)
	if m.pool {
		keep = min(keep, pooledFrames-1)
	}
	probes := len(m.residual)
	for c := range m.cfg.Channels {
		y := m.projection.row(c)
		power := m.power[c*probes : (c+1)*probes]
		for p := range m.residual {
			re, im := real(y[m.known+p]), imag(y[m.known+p])
			even, odd := m.even[p*n:p*n+m.known], m.odd[p*n:p*n+m.known]
			for j, v := range y[:m.known] {
				re += even[j] * real(v)
				im += odd[j] * imag(v)
			}
			now := (re*re*m.scale[0][p] + im*im*m.scale[1][p]) / 2
			power[p] = (power[p]*keep + now) / (keep + 1)
		}
	}
	m.frames++
}

// write feeds samples and measures every half-overlapping window.
func (m *meter) write(x [][]float64, from, to int) {
	length := len(m.buffer[0])
	for from < to {
		n := min(to-from, length-m.filled)
		for c := range m.buffer {
			copy(m.buffer[c][m.filled:], x[c][from:from+n])
		}
		m.filled += n
		from += n
		if m.filled < length {
			return
		}
		m.observe(m.buffer)
		m.filled = length - length/2
		for c := range m.buffer {
			copy(m.buffer[c], m.buffer[c][length/2:])
		}
	}
}

// variance is that of a white sample [V²] whose density equals the noise
// beside the tone. A probe that some unknown line sits on stands out against
// the median of its neighbours and is left out.
func (m *meter) variance(tone, channel int) float64 {
	probes := len(m.residual)
	power := m.power[channel*probes : (channel+1)*probes]
	mine := m.probes[tone]
	if len(mine) == 0 { // no free place near this tone: all there are
		return mean(power)
	}
	m.sorted = m.sorted[:0]
	for _, p := range mine {
		m.sorted = append(m.sorted, power[p])
	}
	slices.Sort(m.sorted)
	middle := m.sorted[len(m.sorted)/2]
	if len(m.sorted)%2 == 0 {
		middle = (middle + m.sorted[len(m.sorted)/2-1]) / 2
	}
	// Each power is a mean of about 1.3·frames squares of two components; six
	// of its standard deviations above the median is no chance event.
	frames := float64(m.frames)
	if m.pool {
		frames = min(frames, 2*pooledFrames)
	}
	limit := middle * (1 + 6/math.Sqrt(max(frames, 1)) + 3/max(frames, 1))
	kept := m.sorted
	for len(kept) > 1 && kept[len(kept)-1] > limit {
		kept = kept[:len(kept)-1]
	}
	return mean(kept)
}

func mean(x []float64) float64 {
	var sum float64
	for _, v := range x {
		sum += v
	}
	return sum / float64(len(x))
}
