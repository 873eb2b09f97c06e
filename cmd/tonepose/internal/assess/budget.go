package assess

import (
	"context"
	"fmt"
	"math"
	"path/filepath"
	"slices"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/bench"
	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/fieldmodels"
	"tonepose/fieldmodels/mutual"
	"tonepose/fieldmodels/rigid"
	"tonepose/solver"
	"tonepose/solver/assessment"
	"tonepose/solver/assessment/budget"
)

// Budget is the uncertainty of a sensor's error by its sources, as RMS over its
// poses.
type Budget struct {
	Sensor   string       `json:"-"`
	Poses    int          `json:"n"`
	Lines    []BudgetLine `json:"sources"`
	Combined [6]float64   `json:"combined_m_rad"` // standard uncertainty along x y z [m] and about them [rad]
	Expanded [6]float64   `json:"expanded_m_rad"` // by Factor
	Factor   float64      `json:"coverage_factor"`
	Observed [6]float64   `json:"observed_rms_m_rad"` // RMS of the errors
}

// BudgetLine is one source: standard uncertainties along x y z [m] and about them
// [rad].
type BudgetLine struct {
	Source string     `json:"source"`
	Sigma  [6]float64 `json:"sigma_m_rad"`
}

// mostBudget bounds the poses that a budget is made of.
const mostBudget = 200

// The sources of a budget: the parts of the solver's error model, and what is not of
// the solver.
const (
	fromReference = int(solver.Parts) + iota
	fromRegistration
	fromMisfit
	budgetSources
)

var budgetNames = [budgetSources]string{
	solver.Noise:     "noise of the couplings",
	solver.Drive:     "drive current: noise of its reference, gain of its channel",
	solver.Emitters:  "emitters: position, axis, strength",
	solver.Pickups:   "pickups: position, axis, sensitivity, gain",
	solver.Joint:     "map of metal, emitters and pickups, found together",
	fromReference:    "reference device",
	fromRegistration: "registration",
	fromMisfit:       "misfit and motion: what poses state beyond these",
}

// Budget splits the uncertainty of a sensor's poses, from the couplings in dir, by
// the parts of the error model that solve weighed by, and what poses state beyond
// that since they do not fit, or moved inside a window. Where the rig was not
// calibrated its tolerances add, which solve knows nothing of.
func (a *Result) Budget(ctx context.Context, dir, sensor string, o *Options) (*Budget, error) {
	part := a.Sensor(sensor)
	if len(part.Samples) == 0 {
		return nil, nil
	}
	index := part.Samples[0].Sensor
	s, err := bench.New(a.Rig).Solver(index)
	if err != nil {
		return nil, err
	}
	unweighed := tolerances(a.Rig, index, s.Problem().Array.Covariance == nil)
	chosen := map[float64]int{}
	// Where solve gave no covariance, nothing is there to be split.
	part = part.part(func(i int) bool { return part.Samples[i].Covariance != nil })
	step := max(1, (len(part.Samples)+mostBudget-1)/mostBudget)
	for i := 0; i < len(part.Samples); i += step {
		chosen[part.Samples[i].Time] = i
	}
	o.Progress.Report("budget", 0, int64(len(chosen)))
	couplings, err := readCouplings(dir, a.Rig, index, chosen)
	if err != nil {
		return nil, err
	}
	if err := readReferences(dir, a.Rig, chosen, couplings); err != nil {
		return nil, err
	}
	b := &Budget{Sensor: sensor}
	var squares [budgetSources][6]float64
	add := func(source int, c rigid.Covariance) {
		for k := range c {
			squares[source][k] += c[k][k]
		}
	}
	var observed [6]float64
	for i, c := range couplings {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		o.Progress.Report("budget", int64(b.Poses), int64(len(couplings)))
		sample, raw := part.Samples[i], part.Rows[i].raw
		parts, err := s.Contributions(c, raw, unweighed)
		if err != nil {
			return nil, fmt.Errorf("budget at %.6f s: %w", sample.Time, err)
		}
		weighed, err := s.Contributions(c, raw, nil)
		if err != nil {
			return nil, fmt.Errorf("budget at %.6f s: %w", sample.Time, err)
		}
		arm := r3.Sub(sample.Estimate.Position, raw.Position)
		explained := rigid.Covariance{}
		for k := range parts {
			add(k, rigid.CovarianceAt(&parts[k], arm))
			explained = sumOf(explained, rigid.CovarianceAt(&weighed[k], arm))
		}
		reference := part.reference(i)
		add(fromReference, rigid.CovarianceAt(&reference, arm))
		explained = sumOf(explained, rigid.CovarianceAt(&reference, arm))
		if t := a.Registration; t != nil && t.Joint != nil {
			j := t.sensitivity(t.read(sample.Truth))
			var joint mat.Dense
			joint.Product(j, t.Covariance(), j.T())
			add(fromRegistration, covarianceOf(&joint))
			explained = sumOf(explained, covarianceOf(&joint))
		}
		for c := range 6 {
			if stated := sample.Covariance[c][c]; stated > beyondExplained*explained[c][c] {
				squares[fromMisfit][c] += stated - explained[c][c]
			}
		}
		for c, e := range errorsOf(sample) {
			observed[c] += e * e
		}
		b.Poses++
	}
	if b.Poses == 0 {
		return nil, nil
	}
	n := float64(b.Poses)
	for k, name := range budgetNames {
		line := BudgetLine{Source: name}
		for c := range 6 {
			line.Sigma[c] = math.Sqrt(squares[k][c] / n)
			b.Combined[c] = math.Hypot(b.Combined[c], line.Sigma[c])
		}
		if line.Sigma != [6]float64{} {
			b.Lines = append(b.Lines, line)
		}
	}
	b.Factor = budget.CoverageFactor(math.Inf(1), o.Confidence)
	for c := range 6 {
		b.Expanded[c], b.Observed[c] = b.Factor*b.Combined[c], math.Sqrt(observed[c]/n)
	}
	return b, nil
}

// beyondExplained times the variance that the other sources explain is no difference
// between the pose that solve weighed at and the one it states.
const beyondExplained = 1.05

func sumOf(a, b rigid.Covariance) rigid.Covariance {
	for r := range a {
		for c := range a[r] {
			a[r][c] += b[r][c]
		}
	}
	return a
}

// read is a truth as its file has it.
func (t *Registered) read(carried rigid.Pose) rigid.Pose {
	return t.Frame.Inverse().Compose(carried).Compose(t.Body.Inverse())
}

func errorsOf(s assessment.Sample) [6]float64 {
	e := assessment.Of(s)
	return [6]float64{e.Position.X, e.Position.Y, e.Position.Z, e.Rotation.X, e.Rotation.Y, e.Rotation.Z}
}

// readCouplings reads the couplings at the chosen times.
func readCouplings(dir string, r *rig.Rig, index int, chosen map[float64]int) (map[int]solver.Couplings, error) {
	rows, err := tables.Open[tables.Coupling](filepath.Join(dir, tables.CouplingsName+".parquet"))
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	s := r.Sensors[index]
	n := len(r.Emitters) * len(s.Coils)
	out := map[int]solver.Couplings{}
	for row, err := range rows.All() {
		if err != nil {
			return nil, err
		}
		at, ok := chosen[row.Time]
		if !ok || row.Sensor != s.Name {
			continue
		}
		c, ok := out[at]
		if !ok {
			c = solver.Couplings{Value: make([]float64, n), Variance: make([]float64, n), Common: make([]float64, len(r.Emitters))}
			floats.AddConst(math.Inf(1), c.Variance) // missing
			out[at] = c
		}
		emitter := slices.IndexFunc(r.Emitters, func(e rig.Emitter) bool { return e.Name == row.Emitter })
		coil := slices.IndexFunc(s.Coils, func(c rig.Coil) bool { return r.Channels[c.Channel].Name == row.Channel })
		if !math.IsNaN(row.Sigma) && emitter >= 0 && coil >= 0 {
			k := emitter*len(s.Coils) + coil
			c.Value[k], c.Variance[k] = row.Value, row.Sigma*row.Sigma
		}
	}
	return out, nil
}

// readReferences reads the noise of the emitters' references at the chosen times.
func readReferences(dir string, r *rig.Rig, chosen map[float64]int, couplings map[int]solver.Couplings) error {
	rows, err := tables.Open[tables.Phasor](filepath.Join(dir, tables.PhasorsName+".parquet"))
	if err != nil {
		return err
	}
	defer rows.Close()
	for row, err := range rows.All() {
		if err != nil {
			return err
		}
		at, wanted := chosen[row.Time]
		c, ok := couplings[at]
		if !wanted || !ok {
			continue
		}
		emitter := slices.IndexFunc(r.Emitters, func(e rig.Emitter) bool {
			return e.Name == row.Tone && e.Reference != nil && r.Channels[e.Reference.Channel].Name == row.Channel
		})
		v := row.Sigma * row.Sigma / (row.InPhase*row.InPhase + row.Quadrature*row.Quadrature)
		if emitter >= 0 && v > 0 && !math.IsInf(v, 0) {
			c.Common[emitter] = v
		}
	}
	return nil
}

// tolerances are the errors of a rig that solve does not weigh by: those of emitters
// that have no covariance and, unless a calibration fitted them anew, those of the
// pickups and of the drives' channels.
func tolerances(r *rig.Rig, index int, emitters bool) *solver.ErrorModel {
	m := &solver.ErrorModel{}
	if emitters {
		m.Emitters = mat.NewSymDense(fieldmodels.ParametersPerEmitter*len(r.Emitters), nil)
		for e := range r.Emitters {
			t := &r.Emitters[e].Tolerance
			setVariances(m.Emitters, e, t.CenterM, t.AxisRad, t.Strength)
		}
	}
	if r.Calibration != nil {
		return m
	}
	coils := r.Sensors[index].Coils
	m.Pickups = mat.NewSymDense(mutual.ParametersPerCoil*len(coils), nil)
	for c, coil := range coils {
		t := &coil.Tolerance
		setVariances(m.Pickups, c, t.CenterM, t.AxisRad, math.Hypot(t.Sensitivity, r.Channels[coil.Channel].Tolerance.Gain))
	}
	m.Drives = mat.NewSymDense(len(r.Emitters), nil)
	for i, e := range r.Emitters {
		for j, f := range r.Emitters[:i+1] {
			if e.Reference != nil && f.Reference != nil && e.Reference.Channel == f.Reference.Channel {
				gain := r.Channels[e.Reference.Channel].Tolerance.Gain
				m.Drives.SetSym(i, j, gain*gain)
			}
		}
	}
	return m
}

// setVariances fills the seven of one emitter or coil.
func setVariances(c *mat.SymDense, thing int, position, axis, size float64) {
	for i, sigma := range [...]float64{position, position, position, axis, axis, axis, size} {
		c.SetSym(7*thing+i, 7*thing+i, sigma*sigma)
	}
}
