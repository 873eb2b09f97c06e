package document

import (
	"context"
	"math"

	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/cmd/tonepose/internal/verdict"
	"tonepose/fieldmodels/mutual"
	"tonepose/fieldmodels/rigid"
)

// point is one row of a sensor: its pose and what that is worth.
type point struct {
	tables.Pose
	sigma, turn            float64 // rms lengths of the stated errors [m], [rad]; NaN: not known
	estimated, turned      float64 // radii that hold 95 % of the errors, distortion included [m], [rad]
	quadrature, quadratics float64 // chi-square of the quadrature parts, and its degrees of freedom
	state                  verdict.State
}

// series are the rows of one sensor. Poses and their judgements are in one order, so
// that thinning keeps the same rows of both.
type series struct {
	points thinned[*point]
	judge  int // judgements seen

	mostEstimated, mostAt float64 // of all rows: the largest estimated error [m], and when [s]
}

func newSeries() series {
	return series{mostEstimated: math.NaN(), mostAt: math.NaN()}
}

// all are the rows kept.
func (s *series) all() []*point { return s.points.kept }

func (s *series) pose(p *tables.Pose) {
	nan := math.NaN()
	row := &point{Pose: *p, sigma: nan, turn: nan, estimated: nan, turned: nan, quadrature: nan}
	fit := verdict.Verdict{Chi2: p.Chi2, DOF: p.DOF} // as long as it is not judged
	row.state = fit.State(p.Flags)
	if c := p.Covariance; c != nil {
		row.sigma = positionSigma(c)
		row.turn = math.Sqrt(max(0, c.At(3, 3)+c.At(4, 4)+c.At(5, 5)))
	}
	s.points.add(row)
}

// judged takes the judgement of the next row.
func (s *series) judged(v *tables.Integrity) {
	if v.PositionError > s.mostEstimated || math.IsNaN(s.mostEstimated) {
		s.mostEstimated, s.mostAt = v.PositionError, v.Time
	}
	if s.judge%max(s.points.every, 1) == 0 {
		if i := s.judge / max(s.points.every, 1); i < len(s.points.kept) && s.points.kept[i].Time == v.Time {
			p := s.points.kept[i]
			p.estimated, p.turned, p.quadrature, p.quadratics = v.PositionError, v.RotationError, v.QuadratureChi2, float64(v.QuadratureDOF)
			p.state = v.State(p.Flags)
		}
	}
	s.judge++
}

// couplings are the couplings of one sensor over a run, against those of its field
// model at the solved poses. Index e·coils + c.
type couplings struct {
	Emitters, Channels []string
	Middle             []float64 // Re M in the run's middle row [H]
	Low, High          []float64 // of Re M over the run [H]
	Residual           []moments // (Re M − model)/sigma
	Quadrature         []moments // Im M/sigma
	Time               float64   // of the middle row [s]

	model *mutual.Model
	value []float64
}

// moments are those of many values.
type moments struct {
	n          int
	sum, power float64
}

func (m *moments) add(v float64) {
	if tables.IsNumber(v) {
		m.n++
		m.sum += v
		m.power += v * v
	}
}

func (m *moments) mean() float64 { return m.sum / float64(m.n) }
func (m *moments) rms() float64  { return math.Sqrt(m.power / float64(m.n)) }

// couplings reads the table of couplings beside the poses that were kept.
func (run *Run) couplings(ctx context.Context) error {
	at := map[string]map[float64]*point{}
	for i, s := range run.Sensors {
		at[s.Name] = map[float64]*point{}
		for _, p := range s.Series.all() {
			at[s.Name][p.Time] = p
		}
		n := len(run.Rig.Emitters) * len(run.Rig.Sensors[i].Coils)
		c := &couplings{Middle: make([]float64, n), Low: make([]float64, n), High: make([]float64, n), Residual: make([]moments, n),
			Quadrature: make([]moments, n), value: make([]float64, n), Time: math.NaN()}
		for k := range n {
			c.Middle[k], c.Low[k], c.High[k] = math.NaN(), math.Inf(1), math.Inf(-1)
		}
		for _, e := range run.Rig.Emitters {
			c.Emitters = append(c.Emitters, e.Name)
		}
		for _, coil := range run.Rig.Sensors[i].Coils {
			c.Channels = append(c.Channels, run.Rig.Channels[coil.Channel].Name)
		}
		if all := s.Series.all(); len(all) > 0 {
			c.Time = all[len(all)/2].Time
		}
		// Where a calibration's files are elsewhere, couplings stand without residuals.
		if array, err := run.Rig.Array(); err == nil {
			c.model, _ = mutual.New(array, run.Rig.Sensor(i))
		}
		s.Coupling = c
	}
	index := map[[3]string]int{}
	for _, s := range run.Sensors {
		for e, emitter := range s.Coupling.Emitters {
			for c, channel := range s.Coupling.Channels {
				index[[3]string{s.Name, emitter, channel}] = e*len(s.Coupling.Channels) + c
			}
		}
	}
	var last *point
	rows := 0
	err := rowsOf(ctx, run, tables.CouplingsName, func(v *tables.Coupling) error {
		rows++
		k, ok := index[[3]string{v.Sensor, v.Emitter, v.Channel}]
		p := at[v.Sensor][v.Time]
		if !ok || p == nil {
			return nil
		}
		c := run.sensor(v.Sensor).Coupling
		c.Low[k], c.High[k] = min(c.Low[k], v.Value), max(c.High[k], v.Value)
		if v.Time == c.Time {
			c.Middle[k] = v.Value
		}
		c.Quadrature[k].add(v.Quadrature / v.Sigma)
		if c.model == nil || p.Estimate == nil {
			return nil
		}
		if p != last {
			if c.model.Evaluate(*p.Estimate, c.value, nil) != nil { // on a conductor
				return nil
			}
			last = p
		}
		c.Residual[k].add((v.Value - c.value[k]) / v.Sigma)
		return nil
	})
	if rows == 0 {
		for _, s := range run.Sensors {
			s.Coupling = nil
		}
	}
	return err
}

// levels are the tones of one sensor over its noise. Index e·coils + c.
type levels struct {
	Hz        []float64 // measured, by emitter
	Amplitude []moments // at the converter [V]
	Noise     []moments // one standard deviation of a component [V]
	*Levels
}

// phasors reads how far the tones stand above the noise.
func (run *Run) phasors(ctx context.Context) error {
	type place struct{ sensor, coil int }
	coils, tones := map[string]place{}, map[string]int{}
	for i := range run.Rig.Sensors {
		for c, coil := range run.Rig.Sensors[i].Coils {
			coils[run.Rig.Channels[coil.Channel].Name] = place{i, c}
		}
	}
	for e, emitter := range run.Rig.Emitters {
		tones[emitter.Name] = e
	}
	for i, s := range run.Sensors {
		n := len(run.Rig.Emitters)
		s.Tones = &levels{Hz: make([]float64, n), Amplitude: make([]moments, n*len(run.Rig.Sensors[i].Coils)),
			Noise: make([]moments, n*len(run.Rig.Sensors[i].Coils)), Levels: NewLevels(n)}
	}
	now, rows := math.NaN(), 0
	end := func() {
		for _, s := range run.Sensors {
			s.Tones.End(now)
		}
	}
	err := rowsOf(ctx, run, tables.PhasorsName, func(v *tables.Phasor) error {
		if v.Time != now {
			end()
			now = v.Time
		}
		at, ok := coils[v.Channel]
		e, too := tones[v.Tone]
		if !ok || !too {
			return nil
		}
		rows++
		s, n := run.Sensors[at.sensor], len(run.Rig.Sensors[at.sensor].Coils)
		level := math.Hypot(v.InPhase, v.Quadrature)
		s.Tones.Hz[e] = v.ToneHz
		s.Tones.Amplitude[e*n+at.coil].add(level)
		s.Tones.Noise[e*n+at.coil].add(v.Sigma)
		s.Tones.Add(e, level/v.Sigma)
		return nil
	})
	end()
	if rows == 0 {
		for _, s := range run.Sensors {
			s.Tones = nil
		}
	}
	return err
}

// turned is the rotation vector of a pose [rad].
func rotation(p *rigid.Pose) [3]float64 {
	v := rigid.Log(p.Rotation)
	return [3]float64{v.X, v.Y, v.Z}
}
