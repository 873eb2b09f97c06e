package assess

import (
	"fmt"
	"math"
	"path/filepath"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/fieldmodels"
	"tonepose/fieldmodels/rigid"
	"tonepose/solver"
	"tonepose/solver/assessment"
	"tonepose/solver/assessment/budget"
	"tonepose/solver/assessment/registration"
)

// Budget says where the uncertainty of a sensor's error comes from, as
// RMS over its poses.
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

// The sources of a budget.
const (
	fromNoise = iota
	fromEmitters
	fromPickups
	fromDrive
	fromReference
	fromRegistration
	budgetSources
)

var budgetNames = [budgetSources]string{"noise of the couplings", "emitters: place, tilt, strength", "pickups: place, tilt, sensitivity, gain",
	"drive current: gain of its channel", "reference device", "registration"}

// Budget splits the uncertainty of a sensor's poses, from the couplings in dir and
// the rig's calibration covariance or, without one, its tolerances. The errors of
// couplings pass to the pose by (JᵀWJ)⁻¹JᵀW, J the derivatives of couplings by the
// pose and W the weights that solve used.
func (a *Result) Budget(dir, sensor string, coverage float64) (*Budget, error) {
	part := a.Sensor(sensor)
	if len(part.Samples) == 0 {
		return nil, nil
	}
	index := part.Samples[0].Sensor
	array, err := a.Rig.Array()
	if err != nil {
		return nil, err
	}
	device := a.Rig.Sensor(index)
	s, err := solver.New(solver.Problem{Array: array, Sensor: device, Volume: a.Rig.Volume()}, solver.Options{})
	if err != nil {
		return nil, err
	}
	chosen := map[float64]int{}
	// Where solve gave no covariance, nothing is there to be split.
	part = part.Part(func(i int) bool { return part.Samples[i].Covariance != nil })
	step := max(1, (len(part.Samples)+mostBudget-1)/mostBudget)
	for i := 0; i < len(part.Samples); i += step {
		chosen[part.Samples[i].Time] = i
	}
	sigmas, err := couplingSigmas(dir, a.Rig, index, chosen)
	if err != nil {
		return nil, err
	}
	e := &errorSources{rig: a.Rig, index: index, array: array, device: device, solver: s, parameters: emitterCovariance(a.Rig, array)}
	b := &Budget{Sensor: sensor}
	var squares [budgetSources][6]float64
	var observed [6]float64
	for i, sigma := range sigmas {
		cov, err := e.at(part.raw[i], sigma)
		if err != nil {
			return nil, fmt.Errorf("budget at %.6f s: %w", part.Samples[i].Time, err)
		}
		arm := r3.Sub(part.Samples[i].Estimate.Position, part.raw[i].Position)
		for k := range cov {
			moved := atArm(&cov[k], arm)
			for c := range 6 {
				squares[k][c] += moved[c][c]
			}
		}
		reference := part.reference(i)
		reference = atArm(&reference, arm)
		for c := range 6 {
			squares[fromReference][c] += reference[c][c]
		}
		if t := a.Registration; t != nil && t.Covariance != nil {
			j := (&registration.Mounting{Frame: t.Frame, Body: t.Body}).Sensitivity(t.read(part.Samples[i].Truth))
			n := t.Covariance.SymmetricDim()
			var half, joint mat.Dense
			half.Mul(j.Slice(0, 6, 0, n), t.Scaled().Covariance)
			joint.Mul(&half, j.Slice(0, 6, 0, n).T())
			for c := range 6 {
				squares[fromRegistration][c] += joint.At(c, c)
			}
		}
		err6 := errorsOf(part.Samples[i])
		for c := range 6 {
			observed[c] += err6[c] * err6[c]
		}
		b.Poses++
	}
	if b.Poses == 0 {
		return nil, nil
	}
	n := float64(b.Poses)
	var parts [6][]budget.Contribution
	for k, name := range budgetNames {
		line := BudgetLine{Source: name}
		some := false
		for c := range 6 {
			line.Sigma[c] = math.Sqrt(squares[k][c] / n)
			some = some || line.Sigma[c] > 0
			parts[c] = append(parts[c], budget.Contribution{Name: name, Sigma: line.Sigma[c]})
		}
		if some {
			b.Lines = append(b.Lines, line)
		}
	}
	for c := range 6 {
		all := budget.Combine(parts[c], coverage)
		b.Combined[c], b.Expanded[c], b.Factor = all.Sigma, all.Expanded, all.Factor
		b.Observed[c] = math.Sqrt(observed[c] / n)
	}
	return b, nil
}

// read is a truth as its file has it.
func (t *Transform) read(carried rigid.Pose) rigid.Pose {
	return t.Frame.Inverse().Compose(carried).Compose(t.Body.Inverse())
}

func errorsOf(s assessment.Sample) [6]float64 {
	e := assessment.Of(s)
	return [6]float64{e.Position.X, e.Position.Y, e.Position.Z, e.Rotation.X, e.Rotation.Y, e.Rotation.Z}
}

// couplingSigmas reads one standard deviation of every coupling at the chosen
// times; +Inf where a coupling is missing.
func couplingSigmas(dir string, r *rig.Rig, index int, chosen map[float64]int) (map[int][]float64, error) {
	rows, err := tables.OpenCouplings(filepath.Join(dir, tables.CouplingsName+".parquet"))
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	s := r.Sensors[index]
	emitter, coil := map[string]int{}, map[string]int{}
	for i, e := range r.Emitters {
		emitter[e.Name] = i
	}
	for i, c := range s.Coils {
		coil[r.Channels[c.Channel].Name] = i
	}
	out := map[int][]float64{}
	for row, err := range rows.All() {
		if err != nil {
			return nil, err
		}
		at, ok := chosen[row.Time]
		if !ok || row.Sensor != s.Name {
			continue
		}
		if out[at] == nil {
			out[at] = make([]float64, len(emitter)*len(coil))
			for k := range out[at] {
				out[at][k] = math.Inf(1)
			}
		}
		if !math.IsNaN(row.Sigma) {
			out[at][emitter[row.Emitter]*len(coil)+coil[row.Channel]] = row.Sigma
		}
	}
	return out, nil
}

// emitterCovariance is that of a calibration, or of the tolerances.
func emitterCovariance(r *rig.Rig, array fieldmodels.Array) *mat.SymDense {
	if array.Covariance != nil {
		return array.Covariance
	}
	const k = fieldmodels.ParametersPerEmitter
	c := mat.NewSymDense(k*len(r.Emitters), nil)
	for e := range r.Emitters {
		t := r.Emitters[e].Tolerance
		for i, sigma := range [k]float64{t.CenterM, t.CenterM, t.CenterM, t.AxisRad, t.AxisRad, t.AxisRad, t.Strength} {
			c.SetSym(k*e+i, k*e+i, sigma*sigma)
		}
	}
	return c
}
