package multitone

import (
	"math"
	"slices"
)

// analysis is the joint fit of one length of window: the estimates that it
// gives are linear functions of the samples.
type analysis struct {
	shape     shape
	system    *system
	omega     []float64 // the fitted columns, then the tones' neighbour bins
	tones     []int     // whose course each column follows, or fixed
	plain     int       // columns without the neighbour bins
	strong    int       // of them lines that may be strong, behind the tones
	estimator *combinations
	bends     []bend // of the tones whose bend is measured
	bend      *combinations
	// left and leftBend are the mean squares, in one component, that foreign lines
	// leave in the phasors and in the bends [V²], row by row for all channels.
	left, leftBend []float64
	judged         []bool // channels whose bend counts: those that are no reference

	references []Reference // of the tones
}

// newAnalysis prepares the joint fit for the frequencies in the configuration;
// a still one says nothing on motion. Its matrices are made in shelf; nil: in new memory.
func newAnalysis(c *Config, s shape, still bool, r *shelf) (*analysis, error) {
	halfLobe := float64(len(s.cosine)) // bins to the first zero
	foreign := c.joint(s)
	a := &analysis{shape: s, judged: make([]bool, c.Channels)}
	for ch := range a.judged {
		a.judged[ch] = !slices.ContainsFunc(c.Tones, func(t Tone) bool { return t.Reference == OnChannel(ch) })
	}
	for _, t := range c.Tones {
		a.references = append(a.references, t.Reference)
	}
	apart := halfLobe // tapers leak too little for more columns to be worth it
	if halfLobe <= 1 {
		apart = linesApart
	}
	t, err := a.join(c, apart, foreign, !still, r)
	if err != nil && apart < halfLobe {
		// A row of harmonics closer than a bin can mimic a tone in its midst; none can that are a bin apart.
		t, err = a.join(c, halfLobe, foreign, !still, r)
	}
	if err != nil {
		return nil, err
	}
	a.left = c.left(s, a.omega, a.estimator, foreign)
	if !still {
		if a.bends, a.bend, err = newBend(t); err != nil {
			a.bends = nil // neighbour bins that can't be distinguished: no statement on motion
		} else {
			a.leftBend = c.left(s, a.omega, a.bend, foreign)
		}
	}
	return a, nil
}

// join fits the tones side by side with lines that are so many bins apart.
func (a *analysis) join(c *Config, apart float64, foreign []float64, sidebands bool, r *shelf) (t *system, err error) {
	halfLobe := float64(len(a.shape.cosine))
	plain, _ := c.fitted(a.shape.length, halfLobe, apart, foreign, false)
	a.omega, a.tones = c.fitted(a.shape.length, halfLobe, apart, foreign, sidebands)
	a.plain, a.strong = len(plain), len(foreign)
	t = newSystem(a.shape, a.omega, len(c.Tones), len(foreign), r)
	t.plain, a.system = a.plain, t
	a.estimator, err = newEstimator(t)
	return t, err
}

// linear is a set of functions of one channel's projections y.
type linear interface {
	of(i int, y []complex128) complex128
}

// fill writes the frame's raw phasors and bends from the projections y of all
// channels on all columns.
func (a *analysis) fill(f *Frame, y []complex128, estimator, bend linear) {
	n := len(a.omega)
	for c := range f.Channels {
		row := y[c*n : (c+1)*n]
		for k := range a.estimator.gain {
			f.Phasor[k*f.Channels+c] = estimator.of(k, row)
		}
		for i := range a.bends {
			f.bent[i*f.Channels+c] = bend.of(i, row)
		}
	}
}

// weigh fills the frame's variances and its measure of motion from the noise
// that the meter saw.
func (a *analysis) weigh(f *Frame, m *meter) {
	white := m.variances()
	for k, gain := range a.estimator.gain {
		row := f.Variance[k*f.Channels : (k+1)*f.Channels]
		for i, v := range white[k*f.Channels : (k+1)*f.Channels] {
			row[i] = v*gain + a.left[k*f.Channels+i]
		}
	}
	for c, r := range f.remnants {
		for k, gain := range r.tones.gain {
			f.Variance[k*f.Channels+c] = white[k*f.Channels+c]*gain + a.left[k*f.Channels+c]
			if math.IsInf(gain, 1) {
				f.Variance[k*f.Channels+c] = gain
			}
		}
	}
	f.Bend, f.BendDOF = 0, 0
	clear(f.Pull)
	for i, b := range a.bends {
		k, gain := b.tone, a.bend.gain[i]
		left := a.leftBend[i*f.Channels : (i+1)*f.Channels]
		bent, pull := f.bent[i*f.Channels:(i+1)*f.Channels], f.Pull[k*f.Channels:(k+1)*f.Channels]
		phasor, noise := f.Phasor[k*f.Channels:(k+1)*f.Channels], white[k*f.Channels:(k+1)*f.Channels]
		// A channel that sees the drive through a constant coupling M has M times its
		// phasor and M times its bend, whatever the drive does. The reference's noise
		// σr² is in all channels' bends against it: their covariance is
		// diag(σ²) + σr²·M·Mᴴ, inverted by the formula of Sherman and Morrison.
		reference, referred := a.references[k].Channel()
		white := func(ch int) float64 { // what the noise of the samples left makes of it
			if r := f.remnants[ch]; r != nil {
				return noise[ch] * r.bends.gain[i] / gain
			}
			return noise[ch]
		}
		var drive, swing complex128
		var driven, shared float64 // Σ|M|²/σ², and σr²
		if referred && phasor[reference] != 0 {
			drive, swing, shared = 1/phasor[reference], bent[reference], white(reference)+left[reference]/gain
		}
		var sum float64
		var along complex128
		for ch := range noise {
			v := white(ch)
			if !(v > 0) || math.IsInf(v, 1) || math.IsInf(shared, 1) || !a.judged[ch] {
				continue
			}
			v += left[ch] / gain
			m := phasor[ch] * drive
			b := bent[ch] - m*swing
			sum += abs2(b) / v
			along += complex(real(m)/v, -imag(m)/v) * b
			driven += abs2(m) / v
			pull[ch] = max(0, abs2(b)-2*(v+abs2(m)*shared)*gain)
			f.BendDOF += 2
		}
		f.Bend += (sum - abs2(along)*shared/(1+driven*shared)) / gain
	}
}

func (c *Config) newFrame() Frame {
	n := len(c.Tones) * c.Channels
	return Frame{
		Channels:  c.Channels,
		Hz:        make([]float64, len(c.Tones)),
		Phasor:    make([]complex128, n),
		Variance:  make([]float64, n),
		Reference: make([]complex128, len(c.Tones)),
		Pull:      make([]float64, n),
		bent:      make([]complex128, n),
	}
}
