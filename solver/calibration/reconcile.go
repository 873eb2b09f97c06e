package calibration

import (
	"cmp"
	"math"
	"slices"
)

// Reconciled is a calibration whose inputs agree: stations that contradict the
// others are left out, and sigmas that the rest contradicts are not those stated.
type Reconciled struct {
	*Result
	Problem    *Problem    // that Result adjusted
	Stated     *Result     // with everything as stated
	Kept       []int       // stations of the stated problem, in order
	Omitted    []Omission  // the others, worst first
	Components []Component // of Result
	Thin       *Thin       // nil: the stations determine the parameters
}

// Omission is a station that contradicts the others.
type Omission struct {
	Station       int // of the stated problem
	StationReport     // as it was when the others spoke against it
}

// Thin says that stations are too few, or too much alike, for what is free.
type Thin struct {
	Parameters int     // but for gauge freedoms
	Determined float64 // by the stations: the rest are known by their tolerances
	// Checked is the share of what stations say beyond their own poses that is left
	// to contradict it.
	Checked float64
}

const (
	// fewest stations of which one can contradict the others, and the largest
	// share that may: with more it is rather the bench that does not fit.
	fewestStations = 5
	mostOmitted    = 0.25
	// together: stations at least so much worse than chance as the worst go in one
	// round. What one drags others along by is a share of its own.
	together = 0.5
	// thinUnknown is the share of the parameters that tolerances may hold before
	// a word is due, and thinChecked what must be left to check: half of the
	// observations' information is common practice for networks.
	thinUnknown = 0.2
	thinChecked = 0.5
)

// Reconcile calibrates, and where inputs contradict each other finds out which are
// wrong: single stations against the median of all, then the sigmas of couplings,
// references and tolerances against each other, by their variance components. Sound
// inputs are used as stated. With a loss, which gives single outliers less weight
// already, only tolerances are judged.
func Reconcile(p *Problem, o Options) (*Reconciled, error) {
	b := &balance{problem: p, options: o}
	b.reset()
	for s := range p.Stations {
		b.kept = append(b.kept, s)
	}
	if err := b.calibrate(); err != nil {
		return nil, err
	}
	out := &Reconciled{Stated: b.result}
	if b.result.Status == Converged && !b.agrees() {
		var err error
		if o.Loss == nil {
			out.Omitted, err = b.single()
		}
		if err == nil {
			err = b.components()
		}
		if err != nil {
			return nil, err
		}
	}
	out.Result, out.Problem, out.Kept, out.Components = b.result, b.adjusted, b.kept, b.judged
	out.Thin = b.thin()
	return out, nil
}

// balance is a calibration with sigmas by factors of those stated, and stations
// left out.
type balance struct {
	problem *Problem
	options Options
	kept    []int
	factors [numInputs]float64

	adjusted *Problem
	result   *Result
	reports  []StationReport
	judged   []Component
}

func (b *balance) reset() {
	for i := range b.factors {
		b.factors[i] = 1
	}
}

func (b *balance) calibrate() (err error) {
	b.adjusted = b.scaled()
	if b.result, err = Calibrate(b.adjusted, b.options); err != nil {
		return err
	}
	if b.reports, err = b.result.Stations(); err != nil {
		return err
	}
	b.judged = b.result.components(b.reports)
	for i := range b.judged {
		b.judged[i].Factor = b.factors[b.judged[i].at()]
	}
	return nil
}

// agrees reports whether nothing contradicts anything.
func (b *balance) agrees() bool {
	return !slices.ContainsFunc(b.judged, b.contradicts) &&
		!slices.ContainsFunc(b.reports, func(r StationReport) bool { return r.Outlier })
}

// contradicts reports whether the sigmas of a component that may be judged are not
// those with which it was counted.
func (b *balance) contradicts(c Component) bool {
	if c.Input != Tolerance && b.options.Loss != nil {
		return false
	}
	_, sure := c.off()
	return sure
}

// single leaves out the stations that contradict the others. Sigmas are those of
// the typical station meanwhile.
func (b *balance) single() ([]Omission, error) {
	var out []Omission
	all := b.kept
	for {
		b.reset()
		if err := b.calibrate(); err != nil {
			return nil, err
		}
		if err := b.settle(true); err != nil {
			return nil, err
		}
		worst := 0.0
		excess := func(r *StationReport) float64 { return (r.ChiSquare + r.ReferenceChiSquare) / r.DOF }
		for i := range b.reports {
			if r := &b.reports[i]; r.Outlier {
				worst = math.Max(worst, excess(r))
			}
		}
		if worst == 0 {
			break
		}
		var kept []int
		for i, s := range b.kept {
			if r := &b.reports[i]; r.Outlier && excess(r) >= together*worst {
				out = append(out, Omission{s, *r})
			} else {
				kept = append(kept, s)
			}
		}
		if len(all) < fewestStations || float64(len(out)) > mostOmitted*float64(len(all)) {
			out, b.kept = nil, all
			break
		}
		b.kept = kept
	}
	b.reset()
	return out, b.calibrate()
}

// Rounds of settle, and how near to 1 its factors then are.
const (
	settleRounds = 20
	settled      = 0.02
)

// settle multiplies the sigmas that are contradicted until they are not, with
// robust by the typical station.
func (b *balance) settle(robust bool) error {
	var moved [numInputs]bool
	for range settleRounds {
		judged := slices.Clone(b.judged)
		if robust {
			typical(judged, b.reports)
		}
		was, again := b.factors, false
		for _, c := range judged {
			at := c.at()
			factor, _ := c.off()
			moved[at] = moved[at] || b.contradicts(c)
			next := b.factors[at] * factor
			if !c.narrows() {
				next = math.Max(next, math.Min(1, b.factors[at]))
			}
			if !moved[at] || math.Abs(next/b.factors[at]-1) < settled {
				continue
			}
			b.factors[at] = next
			again = true
		}
		if !again {
			break
		}
		if err := b.calibrate(); err != nil {
			return err
		}
		if b.result.Status != Converged {
			b.factors = was
			return b.calibrate()
		}
	}
	return nil
}

// components finds the sigmas that make all inputs agree. Where one is wrong, its
// residuals are found with others too, so those that agree as stated once the
// rest is put right go back to that, the least changed first.
func (b *balance) components() error {
	if err := b.settle(false); err != nil {
		return err
	}
	var open []int
	for i, f := range b.factors {
		if f != 1 {
			open = append(open, i)
		}
	}
	slices.SortStableFunc(open, func(i, k int) int {
		return cmp.Compare(math.Abs(math.Log(b.factors[i])), math.Abs(math.Log(b.factors[k])))
	})
	for _, at := range open {
		was := b.factors
		b.factors[at] = 1
		if err := b.calibrate(); err != nil {
			return err
		}
		if b.result.Status != Converged || slices.ContainsFunc(b.judged, b.contradicts) {
			b.factors = was
			if err := b.calibrate(); err != nil {
				return err
			}
		}
	}
	return nil
}

// scaled is the problem with the stations that are kept and the sigmas of its
// inputs multiplied.
func (b *balance) scaled() *Problem {
	q := *b.problem
	by := func(group Group, sigmas ...*float64) {
		c := Component{Input: Tolerance, Group: group}
		for _, s := range sigmas {
			*s *= b.factors[c.at()]
		}
	}
	q.Emitters = slices.Clone(q.Emitters)
	for i := range q.Emitters {
		t := &q.Emitters[i].Tolerance
		by(EmitterPosition, &t.Position)
		by(EmitterAxis, &t.Axis)
		by(EmitterStrength, &t.Strength)
	}
	q.Sensors = slices.Clone(q.Sensors)
	for i := range q.Sensors {
		s := &q.Sensors[i]
		by(Marker, &s.MarkerTolerance.Position, &s.MarkerTolerance.Rotation)
		s.Coils = slices.Clone(s.Coils)
		for k := range s.Coils {
			t := &s.Coils[k].Tolerance
			by(CoilAxis, &t.Axis)
			by(CoilPosition, &t.Position)
			by(CoilSensitivity, &t.Sensitivity)
		}
	}
	q.Channels = slices.Clone(q.Channels)
	for i := range q.Channels {
		t := &q.Channels[i].Tolerance
		by(ChannelGain, &t.Gain)
		by(ChannelPhase, &t.Phase)
		by(ChannelDelay, &t.Delay)
	}
	by(Frame, &q.FrameTolerance.Position, &q.FrameTolerance.Rotation)
	by(Crosstalk, &q.CrosstalkTolerance)
	q.Stations = nil
	for _, s := range b.kept {
		st := b.problem.Stations[s]
		st.SigmaPosition *= b.factors[ReferencePosition]
		st.SigmaRotation *= b.factors[ReferenceRotation]
		if f := b.factors[CouplingNoise]; f != 1 {
			st.Couplings = st.Couplings.Clone()
			for k := range st.Couplings.Variance {
				st.Couplings.Variance[k] *= f * f
			}
			for e := range st.Couplings.Common {
				st.Couplings.Common[e] *= f * f
			}
		}
		q.Stations = append(q.Stations, st)
	}
	return &q
}

// thin reports stations that determine too little, or nothing that could
// contradict them.
func (b *balance) thin() *Thin {
	t := &Thin{Parameters: len(b.result.Parameters) - len(b.result.Gauges)}
	left := 0.0
	for _, r := range b.reports {
		t.Determined += r.Leverage
		left += r.DOF
	}
	t.Checked = left / (left + t.Determined)
	if t.Determined < (1-thinUnknown)*float64(t.Parameters) || t.Checked < thinChecked {
		return t
	}
	return nil
}
