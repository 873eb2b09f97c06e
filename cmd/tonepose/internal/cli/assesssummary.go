package cli

import (
	"math"

	"tonepose/cmd/tonepose/internal/assess"
	"tonepose/solver/assessment"
)

// assessSummary is what assess prints.
type assessSummary struct {
	assessment.Report
	Unsolved int `json:"n_unsolved"`
	Beyond   int `json:"n_beyond_truth"`
	Flagged  int `json:"n_flagged"`
	// Unflagged is the same without flagged poses, where there are some of both.
	Unflagged    *assessment.Report   `json:"unflagged,omitempty"`
	Registration *registrationSummary `json:"registration,omitempty"`
	Stations     []string             `json:"stations,omitempty"` // labels, station 1 first
	Sensors      []sensorSummary      `json:"sensors"`
	drifts       map[string]*assess.Drift
}

// sensorSummary is what is told of each sensor by itself.
type sensorSummary struct {
	Sensor  string             `json:"sensor"`
	Freedom int                `json:"degrees_of_freedom"`
	Report  *assessment.Report `json:"report,omitempty"` // where there are several sensors
	Frames  *assessment.Frames `json:"frames,omitempty"`
	Lag     *assessment.Lag    `json:"lag,omitempty"`
	Drift   *driftSummary      `json:"drift,omitempty"`
	Budget  *budgetSummary     `json:"budget,omitempty"`
}

type registrationSummary struct {
	Kind       string      `json:"kind"`
	Frame      poseSummary `json:"frame"`
	Body       poseSummary `json:"body"`
	SigmaFrame [6]float64  `json:"sigma_frame_m_rad"`
	SigmaBody  [6]float64  `json:"sigma_body_m_rad"`
	RMS        float64     `json:"rms_m"`
	Used       int         `json:"n"`
	ChiSquare  float64     `json:"chi2"`
	DOF        int         `json:"dof"`
	Birge      float64     `json:"birge_ratio"` // by which the sigmas are multiplied
	Outliers   []outlier   `json:"outliers"`
}

type outlier struct {
	Time    float64 `json:"time_s"`
	Sensor  string  `json:"sensor"`
	Station string  `json:"station,omitempty"`
}

type poseSummary struct {
	X  float64 `json:"x_m"`
	Y  float64 `json:"y_m"`
	Z  float64 `json:"z_m"`
	QW float64 `json:"qw"`
	QX float64 `json:"qx"`
	QY float64 `json:"qy"`
	QZ float64 `json:"qz"`
}

// driftSummary are overlapping Allan deviations of the position error.
type driftSummary struct {
	Interval float64      `json:"interval_s"`
	N        int          `json:"n"`
	Points   []driftPoint `json:"allan"`
}

type driftPoint struct {
	Tau      float64    `json:"tau_s"`
	Axes     [3]float64 `json:"axes_m"`
	Position float64    `json:"position_m"`
}

type budgetSummary struct {
	Poses    int          `json:"n"`
	Lines    []budgetLine `json:"sources"`
	Sigma    [6]float64   `json:"combined_m_rad"`
	Expanded [6]float64   `json:"expanded_m_rad"`
	Factor   float64      `json:"coverage_factor"`
	Observed [6]float64   `json:"observed_rms_m_rad"`
}

type budgetLine struct {
	Source string     `json:"source"`
	Sigma  [6]float64 `json:"sigma_m_rad"`
}

func summariseAssessed(a *assess.Result, dir string, o *assessOptions) (*assessSummary, error) {
	sum := &assessSummary{Report: judged(a, o), Unsolved: a.Unsolved, Beyond: a.Beyond, drifts: map[string]*assess.Drift{}}
	for _, f := range a.Flags {
		if f != 0 {
			sum.Flagged++
		}
	}
	if sum.Flagged > 0 && sum.Flagged < sum.N {
		r := judged(a.Unflagged(), o)
		sum.Unflagged = &r
	}
	if len(a.Stations) > 1 {
		sum.Stations = a.Stations[1:]
	}
	sum.Registration = registrationOf(a)
	names := a.SensorNames()
	for _, name := range names {
		part := a.Sensor(name)
		s := sensorSummary{Sensor: name, Freedom: assessment.Of(part.Samples[0]).Freedom, Frames: a.Frames(name)}
		if len(names) > 1 {
			r := judged(part, o)
			s.Report = &r
		}
		var err error
		if s.Lag, err = a.Lag(name, o.reach.Seconds()); err != nil {
			return nil, err
		}
		d, err := a.Drift(name)
		if err != nil {
			return nil, err
		}
		if d != nil {
			sum.drifts[name] = d
			s.Drift = driftOf(d)
		}
		if o.budget {
			b, err := a.Budget(dir, name, o.confidence)
			if err != nil {
				return nil, err
			}
			s.Budget = budgetOf(b)
		}
		sum.Sensors = append(sum.Sensors, s)
	}
	return sum, nil
}

func judged(a *assess.Result, o *assessOptions) assessment.Report {
	r, all := assessment.Summarise(a.Samples)
	if o.resamples >= 0 {
		r.Bootstrap(a.Samples, all, o.confidence, o.resamples, o.seed)
	}
	return r
}

func registrationOf(a *assess.Result) *registrationSummary {
	r := a.Registration
	if r == nil {
		return nil
	}
	pose := func(i int) poseSummary {
		p := r.Frame
		if i == 1 {
			p = r.Body
		}
		q := p.Rotation
		return poseSummary{p.Position.X, p.Position.Y, p.Position.Z, q.Real, q.Imag, q.Jmag, q.Kmag}
	}
	out := &registrationSummary{Kind: r.Kind, Frame: pose(0), Body: pose(1), RMS: r.RMS, Used: r.Used, ChiSquare: r.Chi2, DOF: r.DOF, Birge: r.Birge, Outliers: []outlier{}}
	if c := r.Honest().Covariance; c != nil {
		for i := range c.SymmetricDim() {
			sigma := math.Sqrt(c.At(i, i))
			if i < 6 {
				out.SigmaFrame[i] = sigma
			} else {
				out.SigmaBody[i-6] = sigma
			}
		}
	}
	for _, i := range r.Outliers {
		out.Outliers = append(out.Outliers, outlier{a.Samples[i].Time, a.Sensors[i], a.Stations[a.Samples[i].Station]})
	}
	return out
}

func driftOf(d *assess.Drift) *driftSummary {
	out := &driftSummary{Interval: d.Interval, N: d.N}
	for i, p := range d.Axes[0] {
		out.Points = append(out.Points, driftPoint{p.TauS, [3]float64{p.Deviation, d.Axes[1][i].Deviation, d.Axes[2][i].Deviation}, d.Position(i)})
	}
	return out
}

func budgetOf(b *assess.Budget) *budgetSummary {
	if b == nil {
		return nil
	}
	out := &budgetSummary{Poses: b.Poses, Observed: b.Observed, Factor: b.Combined[0].Factor}
	for _, l := range b.Lines {
		out.Lines = append(out.Lines, budgetLine{l.Source, l.Sigma})
	}
	for i, c := range b.Combined {
		out.Sigma[i], out.Expanded[i] = c.Sigma, c.Expanded
	}
	return out
}
