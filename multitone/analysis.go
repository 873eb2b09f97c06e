package multitone

// analysis turns the projections of one window into a frame.
type analysis struct {
	cfg        *Config
	shape      shape
	plain      int // columns of the joint fit; the tones' neighbour bins follow
	projection *projection
	estimator  *estimator
	bend       *bend
	amplitude  []complex128
}

func newAnalysis(c *Config, s shape) (*analysis, error) {
	a := &analysis{cfg: c, shape: s, amplitude: make([]complex128, len(c.Tones))}
	return a, a.tune()
}

// tune prepares the joint fit for the frequencies now in the configuration.
func (a *analysis) tune() error {
	halfLobe := float64(len(a.shape.cosine)) // bins to the first zero
	omega := a.cfg.fitted(a.shape.length, halfLobe, true)
	a.plain = len(a.cfg.fitted(a.shape.length, halfLobe, false))
	var err error
	if a.estimator, err = newEstimator(a.shape, omega[:a.plain], len(a.cfg.Tones)); err != nil {
		return err
	}
	if a.bend, err = newBend(a.shape, omega, a.plain, len(a.cfg.Tones)); err != nil {
		// neighbour bins that can't be told apart: no statement on motion
		a.bend = &bend{columns: len(omega)}
	}
	if a.projection != nil && len(a.projection.omega) == len(omega) {
		a.projection.retune(omega)
	} else {
		a.projection = newProjection(a.shape, omega, a.cfg.Channels)
	}
	return nil
}

// padded is how many samples the projection of one window reads.
func (a *analysis) padded() int { return a.projection.chunk * a.projection.chunks }

// estimate fills everything of the frame but the variances.
func (a *analysis) estimate(f *Frame) {
	channels := a.cfg.Channels
	for c := range channels {
		y := a.projection.row(c)
		a.estimator.solve(a.amplitude, y)
		for k, v := range a.amplitude {
			f.Phasor[k*channels+c] = v
		}
		for i := range a.bend.tones {
			f.bent[i*channels+c] = a.bend.squared(i, y)
		}
	}
	for k, t := range a.cfg.Tones {
		f.Hz[k] = t.Hz
	}
	f.refer(a.cfg.Tones, a.cfg.SampleRate)
}

// weigh fills the frame's variances and its measure of motion.
func (a *analysis) weigh(f *Frame, m *meter) {
	channels := a.cfg.Channels
	for k := range a.cfg.Tones {
		for c := range channels {
			f.Variance[k*channels+c] = m.variance(k, c) * a.estimator.gain[k]
		}
	}
	f.Bend, f.BendDOF = 0, 0
	for i, k := range a.bend.tones {
		for c := range channels {
			v := f.Variance[k*channels+c] / a.estimator.gain[k] * a.bend.gain[i]
			if !(v > 0) || a.cfg.isReference(c) {
				continue
			}
			f.Bend += f.bent[i*channels+c] / v
			f.BendDOF += 2
		}
	}
}

func (c *Config) isReference(channel int) bool {
	for _, t := range c.Tones {
		if t.Reference == channel {
			return true
		}
	}
	return false
}

func (c *Config) newFrame() Frame {
	n := len(c.Tones) * c.Channels
	return Frame{
		Channels:  c.Channels,
		Hz:        make([]float64, len(c.Tones)),
		Phasor:    make([]complex128, n),
		Variance:  make([]float64, n),
		Reference: make([]complex128, len(c.Tones)),
		bent:      make([]float64, n),
	}
}
