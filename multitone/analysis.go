package multitone

import "slices"

// analysis is the joint fit of one length of window: the estimates that it
// gives are linear functions of the samples.
type analysis struct {
	shape     shape
	omega     []float64 // the fitted columns, then the tones' neighbour bins
	estimator *combinations
	bends     []int // tones whose bend is measured
	bend      *combinations
	judged    []bool // channels whose bend counts: those that are no reference
}

// newAnalysis prepares the joint fit for the frequencies in the configuration;
// a still one says nothing on motion.
func newAnalysis(c *Config, s shape, still bool) (*analysis, error) {
	halfLobe := float64(len(s.cosine)) // bins to the first zero
	a := &analysis{shape: s, omega: c.fitted(s.length, halfLobe, !still), judged: make([]bool, c.Channels)}
	for ch := range a.judged {
		a.judged[ch] = !slices.ContainsFunc(c.Tones, func(t Tone) bool { return t.Reference == ch })
	}
	plain := len(c.fitted(s.length, halfLobe, false))
	t := newSystem(s, a.omega, len(c.Tones))
	var err error
	if a.estimator, err = newEstimator(t, plain, len(c.Tones)); err != nil {
		return nil, err
	}
	if !still {
		if a.bends, a.bend, err = newBend(t, plain, len(c.Tones)); err != nil {
			a.bends = nil // neighbour bins that can't be distinguished: no statement on motion
		}
	}
	return a, nil
}

// fill writes the frame's raw phasors and bends from the projections y of all
// channels on all columns.
func (a *analysis) fill(f *Frame, y []complex128) {
	n := len(a.omega)
	for c := range f.Channels {
		row := y[c*n : (c+1)*n]
		for k := range a.estimator.gain {
			f.Phasor[k*f.Channels+c] = a.estimator.of(k, row)
		}
		for i := range a.bends {
			f.bent[i*f.Channels+c] = abs2(a.bend.of(i, row))
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
			row[i] = v * gain
		}
	}
	f.Bend, f.BendDOF = 0, 0
	clear(f.Pull)
	for i, k := range a.bends {
		var sum float64
		bent, pull := f.bent[i*f.Channels:(i+1)*f.Channels], f.Pull[k*f.Channels:(k+1)*f.Channels]
		for ch, v := range white[k*f.Channels : (k+1)*f.Channels] {
			if v > 0 && a.judged[ch] {
				sum += bent[ch] / v
				pull[ch] = max(0, bent[ch]-2*v*a.bend.gain[i])
				f.BendDOF += 2
			}
		}
		f.Bend += sum / a.bend.gain[i]
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
		bent:      make([]float64, n),
	}
}
