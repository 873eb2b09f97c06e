package multitone

import "slices"

// fit is what a Bank measures its windows with, for the frequencies of a configuration.
// It is read alone, but for what the direct sums keep from window to window.
type fit struct {
	analysis   *analysis
	direct     *direct     // of windows up to maxDirect
	projection *projection // of longer ones
	probes     *probes     // nil without noise
}

// newFit makes one; without its tables where the precision is not known yet. Noise is
// measured in windows as long as before.
func (c *Config) newFit(f *Framing, p Precision, before *probes) (t fit, err error) {
	if t.analysis, err = newAnalysis(c, f.shape(), f.NoBend, nil); err != nil || p == Auto {
		return t, err
	}
	return t, t.tabulate(c, f, p, before)
}

// tabulate makes the tables of the joint fit and the probes.
func (t *fit) tabulate(c *Config, f *Framing, p Precision, before *probes) (err error) {
	a, n := t.analysis, f.Length
	if n > maxDirect {
		t.projection = newProjection(c, a)
	} else {
		tones, rows := len(c.Tones), len(c.Tones)+len(a.bends)
		t.direct = newDirect(p, n, rows, c.Channels, n%2 == 0 && f.Hop == n/2)
		t.direct.set(0, tabulate(a.shape, a.omega, a.estimator))
		if len(a.bends) > 0 {
			t.direct.set(tones, tabulate(a.shape, a.omega, a.bend))
		}
	}
	if f.NoNoise {
		return nil
	}
	length := c.meterLength(n)
	if before != nil {
		length = before.length
	}
	t.probes, err = newProbes(c, length, bankProbes, p)
	return err
}

// Renewal is what a Bank needs to measure beside other lines. To prepare it takes as long as
// many windows do; it may be done beside the bank's work, on another goroutine.
type Renewal struct {
	cfg       Config
	framing   *Framing
	precision Precision
	before    *probes
	fit       fit
}

// Renewal begins one, for lines as Config.Lines and Config.Foreign describe them. The bank
// goes on as before until Renew.
func (b *Bank) Renewal(lines []float64, foreign []Line) *Renewal {
	r := &Renewal{cfg: b.cfg, framing: &b.framing, precision: b.precision, before: b.probes}
	r.cfg.Tones, r.cfg.Lines, r.cfg.Foreign, r.cfg.Course = slices.Clone(b.cfg.Tones), lines, foreign, nil
	return r
}

// Prepare does the work.
func (r *Renewal) Prepare() (err error) {
	r.fit, err = r.cfg.newFit(r.framing, r.precision, r.before)
	return err
}

// Renew sets the lines that disturb the windows that follow. The noise beside each tone
// stays known. What is not prepared yet, or not for the frequencies to which the bank was tuned
// since, Renew prepares itself.
func (b *Bank) Renew(r *Renewal) error {
	b.cfg.Lines, b.cfg.Foreign = r.cfg.Lines, r.cfg.Foreign
	tuned := !slices.EqualFunc(r.cfg.Tones, b.cfg.Tones, func(a, b Tone) bool { return a.Hz == b.Hz })
	if tuned || r.fit.analysis == nil || r.precision != b.precision {
		r = b.Renewal(r.cfg.Lines, r.cfg.Foreign)
		if err := r.Prepare(); err != nil {
			return err
		}
	}
	if b.meter == nil {
		b.use(r.fit)
		return nil
	}
	known, windows, seen := slices.Clone(b.meter.variances()), b.meter.windows, slices.Clone(b.meter.seen)
	b.use(r.fit)
	b.meter.adopt(known, windows, seen)
	return nil
}
