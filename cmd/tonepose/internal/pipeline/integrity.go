package pipeline

import (
	"fmt"
	"math"
	"strings"

	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/multitone"
	"tonepose/solver"
	"tonepose/solver/integrity"
	"tonepose/solver/leastsquares"
)

// ParseLoss reads "none", "huber", "cauchy" or "tukey"; nil for none.
func ParseLoss(s string) (leastsquares.Loss, error) {
	switch s {
	case "none", "":
		return nil, nil
	case "huber":
		return leastsquares.Huber{}, nil
	case "cauchy":
		return leastsquares.Cauchy{}, nil
	case "tukey":
		return leastsquares.Tukey{}, nil
	}
	return nil, fmt.Errorf("robust %q: must be huber, cauchy, tukey or none", s)
}

// Integrity is what a run learnt about one sensor, its channels and the
// emitters.
type Integrity struct {
	Sensor       string `json:"sensor"`
	Frames       int    `json:"frames"` // with a pose
	Distorted    int    `json:"distorted"`
	Eddy         int    `json:"eddy"` // of these, by their quadrature parts
	WrongChannel int    `json:"wrong_channel"`
	// Largest of the estimated errors, distortion included, and when [s].
	WorstPositionErrorM   float64 `json:"worst_position_error_m"`
	WorstRotationErrorRad float64 `json:"worst_rotation_error_rad"`
	WorstTimeS            float64 `json:"worst_time_s"`

	Faults []*FoundFault `json:"faults,omitempty"`
	Delays []FoundDelay  `json:"delays,omitempty"`
}

// FoundFault is one fault with its evidence, over the frames that show it.
type FoundFault struct {
	Words  string   `json:"fault"`
	Rivals []string `json:"or,omitempty"` // explain the same couplings as well
	Frames int      `json:"frames"`
	Gain   float64  `json:"gain"` // mean; 1 for an exchange
	Sigma  float64  `json:"sigma_gain"`
	Before float64  `json:"chi2_before"`
	DOF    int      `json:"dof_before"`
	After  float64  `json:"chi2_after"`
	Left   int      `json:"dof_after"`
	// Joint: only frames taken together show it.
	Joint bool `json:"joint,omitempty"`

	fault  integrity.Fault
	weight float64
}

// FoundDelay is a channel's lag beyond what the rig says.
type FoundDelay struct {
	Channel string  `json:"channel"`
	DelayS  float64 `json:"delay_s"`
	SigmaS  float64 `json:"sigma_s"`
}

// Lines words the findings for a reader.
func (g *Integrity) Lines() []string {
	var out []string
	for _, f := range g.Faults {
		text := f.Words
		for _, r := range f.Rivals {
			text += ", or " + r
		}
		where := fmt.Sprintf("%d frames", f.Frames)
		if f.Joint {
			where += " together"
		}
		out = append(out, fmt.Sprintf("%s: %s (%s; chi-square %.4g of %d before, %.4g of %d after)", g.Sensor, text, where, f.Before, f.DOF, f.After, f.Left))
	}
	for _, d := range g.Delays {
		out = append(out, fmt.Sprintf("%s: channel %s lags %.4g ± %.2g ns beyond its delay in the rig", g.Sensor, d.Channel, d.DelayS*1e9, d.SigmaS*1e9))
	}
	if g.Distorted > 0 {
		text := fmt.Sprintf("%s: %d of %d frames are distorted", g.Sensor, g.Distorted, g.Frames)
		if g.Eddy > 0 {
			text += fmt.Sprintf(", %d with the lag of eddy currents: metal near", g.Eddy)
		}
		out = append(out, fmt.Sprintf("%s; estimated error up to %.3g mm and %.3g° at %.4g s", text, g.WorstPositionErrorM*1e3, g.WorstRotationErrorRad*180/math.Pi, g.WorstTimeS))
	}
	return out
}

// guard watches over the fits of one sensor.
type guard struct {
	inspector       *integrity.Inspector
	solver          *solver.Solver
	coils, emitters []string
	loss            leastsquares.Loss
	leaveOut        bool
	result          Integrity

	// A full search among the faults takes as long as hundreds of fits: after
	// one that found nothing, pause frames go by without, twice as many each
	// time.
	pause, passed int

	observed integrity.Observation
	delay    []float64 // Σ delay/σ² and Σ 1/σ², by coil
	certain  []float64
	kept     sample
}

// newGuard prepares for one sensor of a bench.
func newGuard(b *Bench, i int, o *SolveOptions) *guard {
	s := &b.sensors[i]
	x := integrity.New(s.solver)
	g := &guard{inspector: x, solver: s.solver, loss: o.Robust, leaveOut: o.LeaveOut, result: Integrity{Sensor: s.name},
		delay: make([]float64, len(s.pickups)), certain: make([]float64, len(s.pickups))}
	x.Unreferenced = make([]bool, len(b.Tones))
	for e, t := range b.Tones {
		g.emitters = append(g.emitters, t.Name)
		x.Unreferenced[e] = t.Reference == multitone.NoReference
	}
	g.coils = channelsOf(b.Rig, s)
	g.observed.Quadrature = make([]float64, len(b.Tones)*len(s.pickups))
	return g
}

func channelsOf(r *rig.Rig, s *sensor) (names []string) {
	for _, p := range s.pickups {
		names = append(names, r.Channels[p.Channel].Name)
	}
	return names
}

// suspicious tells whether a fit is bad enough to look for a fault.
func suspicious(r *solver.Result) bool {
	return r.DOF > 0 && r.Status != solver.Invalid && (r.Status != solver.Converged || chance(r.ChiSquare, r.DOF) < distortedChance)
}

// known tries the faults that earlier frames showed.
func (g *guard) known(c solver.Couplings, r *solver.Result) *integrity.Finding {
	if !suspicious(r) {
		return nil
	}
	for _, k := range g.result.Faults {
		if f := g.inspector.Confirm(c, r, k.fault); f.Fault != nil && f.Fault.Same(k.fault) {
			return &f
		}
	}
	return nil
}

// search tries all faults, if it is time for it.
func (g *guard) search(c solver.Couplings, r *solver.Result) *integrity.Finding {
	if !suspicious(r) {
		return nil
	}
	if g.passed < g.pause {
		g.passed++
		return nil
	}
	f := g.inspector.Identify([]solver.Couplings{c}, []solver.Result{*r})
	if f.Fault == nil {
		g.passed, g.pause = 0, 2*g.pause+1
		return nil
	}
	g.pause = 0
	return &f
}

// count adds a finding to the evidence.
func (g *guard) count(f *integrity.Finding, frames int, joint bool) *FoundFault {
	var to *FoundFault
	for _, k := range g.result.Faults {
		if k.fault.Same(*f.Fault) {
			to = k
		}
	}
	if to == nil {
		to = &FoundFault{fault: *f.Fault, Joint: joint}
		for _, r := range f.Rivals {
			to.Rivals = append(to.Rivals, r.Words(g.coils, g.emitters))
		}
		g.result.Faults = append(g.result.Faults, to)
	}
	to.Frames += frames
	to.Before += f.ChiSquare
	to.DOF += f.DOF
	to.After += f.Fault.ChiSquare
	to.Left += f.Fault.DOF
	to.Gain = 1
	if f.Fault.GainSigma > 0 {
		w := 1 / (f.Fault.GainSigma * f.Fault.GainSigma)
		to.fault.Gain = (to.fault.Gain*to.weight + f.Fault.Gain*w) / (to.weight + w)
		to.weight += w
		to.Sigma = 1 / math.Sqrt(to.weight)
		to.Gain, to.fault.GainSigma = to.fault.Gain, to.Sigma
	}
	to.Words = to.fault.Words(g.coils, g.emitters)
	return to
}

// inspect judges a frame's fit. With a fault left out, or with a robust loss,
// result becomes that of the fit asked for and c what it was made from. It
// returns the flags to add and the frame's row of the integrity table, of which
// the caller knows the time, the sensor and all flags.
func (g *guard) inspect(c *solver.Couplings, quadrature []complex128, hz []float64, result *solver.Result, found *integrity.Finding, time float64, flags tables.Flags) (tables.Flags, tables.Integrity) {
	nan := math.NaN()
	row := tables.Integrity{Chi2: nan, QuadratureChi2: nan, Spread: nan, PositionError: nan, RotationError: nan}
	var add tables.Flags
	excused := flags&(tables.Motion|faultFlags) != 0
	for i, v := range quadrature {
		g.observed.Quadrature[i] = imag(v)
	}
	if found == nil && flags&(tables.Motion|tables.Clipped|tables.Gap|tables.Repeated) == 0 {
		found = g.search(*c, result)
	}
	var words []string
	if found != nil {
		add |= tables.WrongChannel
		g.result.WrongChannel++
		words = append(words, g.count(found, 1, false).Words)
		if g.leaveOut {
			f := *found.Fault
			if f.Kind == integrity.Exchanged {
				lag := solver.Couplings{Value: g.observed.Quadrature, Variance: c.Variance}
				copy(g.observed.Quadrature, g.inspector.Mend(lag, f).Value)
			}
			*c = g.inspector.Mend(*c, f)
			*result = g.solver.Warm(*c, found.Poses[0])
		}
	}
	if result.Status != solver.Converged {
		row.Finding = strings.Join(words, "; ")
		return add, row
	}
	g.observed.Couplings, g.observed.Hz = *c, hz
	v, err := g.inspector.Verdict(&g.observed, result, excused)
	if err != nil {
		return add, row
	}
	row.Chi2, row.DOF = result.ChiSquare, result.DOF
	if v.Quadrature.DOF > 0 {
		row.QuadratureChi2, row.QuadratureDOF = v.Quadrature.ChiSquare, v.Quadrature.DOF
	}
	unexplained := found == nil || g.leaveOut
	g.result.Frames++
	if v.Distorted && unexplained {
		add |= tables.Distorted
		g.result.Distorted++
		text := "does not fit the field model"
		if v.Eddy {
			g.result.Eddy++
			text = "eddy currents: metal near"
		}
		words = append(words, text)
	}
	if !excused && unexplained && v.QuadratureChance > doubtfulChance {
		g.lag(&v.Quadrature)
	}
	if !excused && found == nil {
		g.kept.take(*c, result)
	}
	if g.loss != nil {
		if robust, err := g.inspector.Robust(*c, result, g.loss); err == nil && robust.Status == solver.Converged {
			*result = robust.Result
			*c = robust.Weighted(*c)
			g.observed.Couplings = *c
			if v, err = g.inspector.Verdict(&g.observed, result, excused); err != nil {
				return add, row
			}
		}
	}
	row.Spread, row.PositionError, row.RotationError = v.Spread, v.PositionError, v.RotationError
	if v.PositionError > g.result.WorstPositionErrorM {
		g.result.WorstPositionErrorM, g.result.WorstRotationErrorRad = v.PositionError, v.RotationError
		g.result.WorstTimeS = time
	}
	row.Finding = strings.Join(words, "; ")
	return add, row
}

// lag gathers what the quadrature parts say about delays.
func (g *guard) lag(q *integrity.Quadrature) {
	for i, d := range q.Delay {
		if w := 1 / (q.DelaySigma[i] * q.DelaySigma[i]); w > 0 && !math.IsInf(w, 0) {
			g.delay[i] += d * w
			g.certain[i] += w
		}
	}
}

// A delay is reported from lagSigmas of its standard deviation and from
// leastLag on: less changes no in-phase part by 1e-6 at 150 kHz.
const (
	lagSigmas = 6
	leastLag  = 1e-9 // [s]
)

// finish draws the conclusions that need the whole recording.
func (g *guard) finish() *Integrity {
	for i, w := range g.certain {
		if w == 0 {
			continue
		}
		d, sigma := g.delay[i]/w, 1/math.Sqrt(w)
		if math.Abs(d) > max(lagSigmas*sigma, leastLag) {
			g.result.Delays = append(g.result.Delays, FoundDelay{Channel: g.coils[i], DelayS: d, SigmaS: sigma})
		}
	}
	if len(g.result.Faults) == 0 && len(g.kept.frames) > 1 {
		if f := g.inspector.Identify(g.kept.frames, g.kept.fits); f.Fault != nil {
			g.count(&f, len(g.kept.frames), true)
		}
	}
	return &g.result
}

// sample keeps frames evenly spread over a recording of unknown length.
type sample struct {
	frames []solver.Couplings
	fits   []solver.Result
	seen   int
	stride int
}

const sampleFrames = 16

func (s *sample) take(c solver.Couplings, r *solver.Result) {
	if s.stride == 0 {
		s.stride = 1
	}
	if s.seen++; (s.seen-1)%s.stride != 0 {
		return
	}
	if len(s.frames) == sampleFrames {
		half := 0
		for i := 0; i < len(s.frames); i += 2 {
			// The buffers of those passed over serve later ones.
			s.frames[half], s.frames[i] = s.frames[i], s.frames[half]
			s.fits[half] = s.fits[i]
			half++
		}
		s.frames, s.fits = s.frames[:half], s.fits[:half]
		s.stride *= 2
		if (s.seen-1)%s.stride != 0 {
			return
		}
	}
	n := len(s.frames)
	if n < cap(s.frames) {
		s.frames = s.frames[:n+1]
	} else {
		s.frames = append(s.frames, solver.Couplings{})
	}
	into := &s.frames[n]
	into.Value = append(into.Value[:0], c.Value...)
	into.Variance = append(into.Variance[:0], c.Variance...)
	s.fits = append(s.fits, *r)
}
