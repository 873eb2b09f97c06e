package subject

import (
	"math"
	"math/cmplx"
	"slices"
	"strings"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"
	"gonum.org/v1/gonum/stat/distuv"

	"tonepose/cmd/tonepose/internal/handbook"
	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/cmd/tonepose/internal/verdict"
	"tonepose/fieldmodels/mutual"
	"tonepose/fieldmodels/rigid"
)

// Moment is what is known at the cursor, or of a stream's newest window.
type Moment struct {
	Time     float64   `json:"time_s"`
	Duration float64   `json:"duration_s"`
	Sensors  []Reading `json:"sensors"`

	Latency float64     `json:"latency_s"`
	Solved  int         `json:"solved_windows"`
	Skipped int         `json:"skipped_windows"`
	Clock   *clockState `json:"clock"`
	Events  []event     `json:"events"`
	Answers []answered  `json:"answers,omitempty"` // of a stream
}

// clockState is how far the generator's clock is known.
type clockState struct {
	PPM      float64 `json:"ppm"`
	Sigma    float64 `json:"sigma_ppm"`
	Captured bool    `json:"captured"`
	Text     string  `json:"text"`
}

// event is what began, ended or happened in a stream.
type event struct {
	Time float64 `json:"time_s"`
	Text string  `json:"text"`
}

// Reading is what one window shows of one sensor.
type Reading struct {
	Sensor   int     `json:"sensor"`
	Time     float64 `json:"time_s"`
	Duration float64 `json:"duration_s"`
	Solved   bool    `json:"solved"`

	Position      *r3.Vec      `json:"position_m"`
	Quaternion    *quat.Number `json:"quaternion"`
	Rotation      *r3.Vec      `json:"rotation_vector_rad"`
	Tip           *r3.Vec      `json:"tip_m"`
	SigmaPosition []float64    `json:"sigma_position_m"`
	Sigma         float64      `json:"sigma_m"`
	SigmaRotation []float64    `json:"sigma_rotation_rad"`
	SigmaTurn     float64      `json:"sigma_rad"`
	Covariance    []float64    `json:"covariance"`
	Ellipsoid     *ellipsoid   `json:"ellipsoid"`

	Chi2       float64    `json:"chi2"`
	DOF        int        `json:"dof"`
	Band       [2]float64 `json:"chi2_band"`
	Chance     float64    `json:"chance"`
	Quadrature float64    `json:"quadrature_chi2"`
	Quadratics int        `json:"quadrature_dof"`
	Iterations int        `json:"iterations"`
	Status     string     `json:"status"`

	Error     float64       `json:"error_m"`
	ErrorTurn float64       `json:"error_rad"`
	UseError  bool          `json:"use_error"`
	Interval  *[3][]float64 `json:"interval_m"`

	Flags   []string `json:"flags"`
	Grade   string   `json:"grade"`
	Verdict string   `json:"verdict"`
	Reason  string   `json:"reason"`
	Next    string   `json:"next"`
	Finding string   `json:"finding"`
	Since   float64  `json:"since_s"`

	Truth     *truth          `json:"truth"`
	Couplings *couplingMatrix `json:"couplings"`
	Tones     []toneLevel     `json:"tones"`
}

// truth is where a sensor was, and how far off its estimate is.
type truth struct {
	Position   r3.Vec      `json:"position_m"`
	Quaternion quat.Number `json:"quaternion"`
	Error      float64     `json:"error_m"`
	ErrorTurn  float64     `json:"error_rad"`
}

// ellipsoid holds the position in 95 of 100 cases, were the model right.
type ellipsoid struct {
	Radii [3]float64    `json:"radii_m"`
	Axes  [3][3]float64 `json:"axes"` // unit vectors, one a radius
}

// couplingMatrix is what the coils of a sensor pick up of the emitters, [emitter][coil].
type couplingMatrix struct {
	Emitters   []int       `json:"emitters"`
	Channels   []int       `json:"channels"`
	Value      [][]float64 `json:"value_h"`
	Quadrature [][]float64 `json:"quadrature_h"`
	Sigma      [][]float64 `json:"sigma_h"`
	Model      [][]float64 `json:"model_h"`
	Residual   [][]float64 `json:"residual_sigma"`
	Turned     [][]float64 `json:"quadrature_sigma"`
}

// toneLevel is one emitter's tone on the coils of a sensor.
type toneLevel struct {
	Emitter int          `json:"emitter"`
	Hz      float64      `json:"hz"`
	Clear   float64      `json:"clear"` // of all coils together, over their noise
	Grade   string       `json:"grade"`
	Levels  []coilsLevel `json:"levels"`
}

type coilsLevel struct {
	Channel   int     `json:"channel"`
	Amplitude float64 `json:"amplitude_v"`
	Phase     float64 `json:"phase_rad"`
	Sigma     float64 `json:"sigma_v"`
}

// Shown is one window of one sensor, however it is kept.
type Shown struct {
	Pose      tables.Pose
	worth     *tables.Integrity // nil: not known
	truth     *rigid.Pose       // nil: not known
	Couplings []tables.Coupling // none: not known
	phasors   []tables.Phasor   // of the sensor's coils; none: not known
	common    map[int]float64   // by emitter: variance of the relative error that its couplings share
	since     float64           // how long its flags are what they are [s]
}

// bands of χ² hold 95 of 100 sound windows; a row less likely than verdict.Doubtful is
// in doubt.
const BandShare = 0.95

// reading is one window of a sensor as the page shows it.
func (r *Roster) reading(sensor int, s *Shown) Reading {
	p := &s.Pose
	out := Reading{Sensor: sensor, Time: p.Time, Duration: p.Duration, Solved: p.Estimate != nil, Chi2: p.Chi2, DOF: p.DOF,
		Iterations: p.Iterations, Status: p.Status, Flags: p.Flags.Names(), Since: s.since, Tip: p.Tip,
		Quadrature: math.NaN(), Error: math.NaN(), ErrorTurn: math.NaN(), Chance: math.NaN(), Band: [2]float64{math.NaN(), math.NaN()}}
	out.Sigma, out.SigmaTurn = sigmas(p.Covariance)
	if p.Estimate != nil {
		turn := rigid.Log(p.Estimate.Rotation)
		out.Position, out.Quaternion, out.Rotation = &p.Estimate.Position, &p.Estimate.Rotation, &turn
	}
	if c := p.Covariance; c != nil {
		for i := range 3 {
			out.SigmaPosition = append(out.SigmaPosition, c.Sigma(i))
			out.SigmaRotation = append(out.SigmaRotation, c.Sigma(3+i))
		}
		out.Covariance, out.Ellipsoid = c[:], ellipsoidOf(c)
	}
	if p.DOF > 0 && !math.IsNaN(p.Chi2) {
		d := distuv.ChiSquared{K: float64(p.DOF)}
		out.Band = [2]float64{d.Quantile((1 - BandShare) / 2), d.Quantile((1 + BandShare) / 2)}
		out.Chance = d.Survival(p.Chi2)
	}
	if v := s.worth; v != nil {
		out.Error, out.ErrorTurn, out.Quadrature, out.Quadratics, out.Finding = v.PositionError, v.RotationError, v.QuadratureChi2, v.QuadratureDOF, v.Finding
		if !math.IsNaN(v.Low[0]) {
			out.Interval = new([3][]float64)
			for i := range 3 {
				out.Interval[i] = []float64{v.Low[i], v.High[i]}
			}
		}
	}
	if s.truth != nil {
		t := &truth{Position: s.truth.Position, Quaternion: s.truth.Rotation, Error: math.NaN(), ErrorTurn: math.NaN()}
		if p.Estimate != nil {
			t.Error, t.ErrorTurn = Apart(*p.Estimate, *s.truth)
		}
		out.Truth = t
	}
	out.judge(p.Flags, marksOf(p, s.worth) == InDoubt)
	out.Couplings = r.matrix(sensor, s)
	out.Tones = r.tones(sensor, s)
	return out
}

// wrong are the flags that make a pose wrong; others leave it in doubt.
const wrongFlags = verdict.Distorted | verdict.WrongChannel | verdict.ReferenceLost | verdict.NotConverged | verdict.Unobservable

// judge words what a pose is worth.
func (r *Reading) judge(f verdict.Flags, inDoubt bool) {
	if r.UseError = f&(verdict.Distorted|verdict.WrongChannel) != 0 && r.Error > r.Sigma; !r.Solved {
		r.Grade, r.Verdict = "none", "no pose"
	}
	if f == 0 {
		switch {
		case !r.Solved:
			r.Reason = "the couplings gave none: " + r.Status
		case inDoubt:
			name := verdict.InDoubt.String()
			r.Grade, r.Verdict, r.Reason, r.Next = "doubt", name, handbook.Meaning(name), plainCode(handbook.Next(name))
		default:
			r.Grade, r.Verdict, r.Reason = "sound", "sound", "χ² as noise makes it, no flag"
		}
		return
	}
	worst := f & wrongFlags
	if r.Solved {
		r.Grade = "wrong"
		if worst == 0 {
			r.Grade = "doubt"
		}
	}
	name := (f & -f).Names()[0]
	if worst != 0 {
		name = (worst & -worst).Names()[0]
	}
	if r.Solved {
		r.Verdict = name
		if r.Grade == "doubt" {
			r.Verdict = "in doubt"
		}
	}
	var means []string
	for _, n := range f.Names() {
		means = append(means, n+": "+handbook.Meaning(n))
	}
	if r.Reason = strings.Join(means, "; "); r.Finding != "" {
		r.Reason = r.Finding
	}
	r.Next = plainCode(handbook.Next(name))
}

func plainCode(text string) string { return strings.ReplaceAll(text, "`", "") }

// ellipsoidOf holds the position in 95 of 100 cases: χ² of three degrees of freedom
// then stays under 7.8147.
func ellipsoidOf(c *tables.Covariance) *ellipsoid {
	m := mat.NewSymDense(3, nil)
	for i := range 3 {
		for j := i; j < 3; j++ {
			m.SetSym(i, j, c.At(i, j))
		}
	}
	var eigen mat.EigenSym
	if !eigen.Factorize(m, true) {
		return nil
	}
	factor := distuv.ChiSquared{K: 3}.Quantile(BandShare)
	var vectors mat.Dense
	eigen.VectorsTo(&vectors)
	out := new(ellipsoid)
	for k, v := range eigen.Values(nil) {
		out.Radii[k] = math.Sqrt(factor * max(0, v))
		for i := range 3 {
			out.Axes[k][i] = vectors.At(i, k)
		}
	}
	return out
}

// Apart is how far two poses are apart [m], and turned [rad].
func Apart(a, b rigid.Pose) (distance, angle float64) {
	turn := rigid.Log(quat.Mul(a.Rotation, quat.Conj(b.Rotation)))
	return r3.Norm(r3.Sub(a.Position, b.Position)), r3.Norm(turn)
}

// Roster is who takes part: the rig's emitters and sensors, with the model of their
// couplings. It is for one goroutine at a time.
type Roster struct {
	Emitters []string
	sensors  []member
}

type member struct {
	name     string
	channels []int
	coils    []string
	model    *mutual.Model // nil: the calibration's files are not where the rig says
	value    []float64
}

// matrix is the couplings of a window beside those of the model at its pose.
func (r *Roster) matrix(sensor int, s *Shown) *couplingMatrix {
	if len(s.Couplings) == 0 {
		return nil
	}
	m := &r.sensors[sensor]
	known := s.Pose.Estimate != nil && m.model != nil && m.model.Evaluate(*s.Pose.Estimate, m.value, nil) == nil
	out := &couplingMatrix{Channels: m.channels}
	grid := func() [][]float64 {
		all := make([][]float64, len(r.Emitters))
		for e := range all {
			all[e] = slices.Repeat([]float64{math.NaN()}, len(m.coils))
		}
		return all
	}
	out.Value, out.Quadrature, out.Sigma, out.Model, out.Residual, out.Turned = grid(), grid(), grid(), grid(), grid(), grid()
	for e := range r.Emitters {
		out.Emitters = append(out.Emitters, e)
	}
	for i := range s.Couplings {
		c := &s.Couplings[i]
		e, k := slices.Index(r.Emitters, c.Emitter), slices.Index(m.coils, c.Channel)
		if e < 0 || k < 0 {
			continue
		}
		out.Value[e][k], out.Quadrature[e][k], out.Sigma[e][k] = c.Value, c.Quadrature, c.Sigma
		out.Turned[e][k] = c.Quadrature / c.Sigma
		if known {
			model := m.value[e*len(m.coils)+k]
			out.Model[e][k], out.Residual[e][k] = model, (c.Value-model)/c.Sigma
		}
	}
	return out
}

// A tone under 10 sigmas is in doubt, under 3 it is not seen.
const clearSigmas, seenSigmas = 10, 3

// tones are the levels of all tones on a sensor's coils.
func (r *Roster) tones(sensor int, s *Shown) (out []toneLevel) {
	if len(s.phasors) == 0 {
		return nil
	}
	m := &r.sensors[sensor]
	for e, name := range r.Emitters {
		t := toneLevel{Emitter: e, Hz: math.NaN()}
		power := 0.0
		for i := range s.phasors {
			p := &s.phasors[i]
			k := slices.Index(m.coils, p.Channel)
			if p.Tone != name || k < 0 {
				continue
			}
			level, phase := cmplx.Polar(complex(p.InPhase, p.Quadrature))
			t.Hz = p.ToneHz
			t.Levels = append(t.Levels, coilsLevel{m.channels[k], level, phase, p.Sigma})
			if ratio := level / p.Sigma; tables.IsNumber(ratio) {
				power += ratio * ratio
			}
		}
		t.Clear = math.Sqrt(power)
		switch {
		case t.Clear < seenSigmas:
			t.Grade = "wrong"
		case t.Clear < clearSigmas:
			t.Grade = "doubt"
		default:
			t.Grade = "sound"
		}
		out = append(out, t)
	}
	return out
}
