package assess

import (
	"context"
	"errors"

	"tonepose/cmd/tonepose/internal/files"
	"tonepose/cmd/tonepose/internal/measure"
	"tonepose/cmd/tonepose/internal/verdict"
	"tonepose/solver/assessment"
)

// Summary is all about a run's errors, in the form of its JSON.
type Summary struct {
	assessment.Report
	Unsolved int `json:"n_unsolved"`     // rows without a pose
	Beyond   int `json:"n_beyond_truth"` // poses outside of the truth's times
	Flagged  int `json:"n_flagged"`
	// Flags counts the flags of the poses that were compared.
	Flags verdict.Counts `json:"-"`
	// Unflagged is the same without flagged poses, where there are some of both.
	Unflagged *assessment.Report `json:"unflagged,omitempty"`
	Stations  []string           `json:"stations,omitempty"` // labels, station 1 first
	Sensors   []SensorSummary    `json:"sensors"`
	Result    *Result            `json:"-"`
	// Failed is what of the summary could not be found or saved: an ErrStep each.
	Failed error `json:"-"`
}

// SensorSummary is about one sensor.
type SensorSummary struct {
	Sensor  string             `json:"sensor"`
	Freedom int                `json:"degrees_of_freedom"`
	Report  *assessment.Report `json:"report,omitempty"` // where there are several sensors
	Frames  *assessment.Frames `json:"frames,omitempty"`
	Lag     *assessment.Lag    `json:"lag,omitempty"`
	Drift   *Drift             `json:"drift,omitempty"`
	Budget  *Budget            `json:"budget,omitempty"`
}

// Run compares the poses in dir with the truth in a CSV and judges their errors.
func Run(ctx context.Context, dir, truth string, o Options) (*Summary, error) {
	if o.TransformFile != "" {
		if o.Register != SameFrame {
			return nil, errors.New("--transform and --register exclude each other")
		}
		var err error
		if o.Transform, err = ReadTransform(o.TransformFile); err != nil {
			return nil, err
		}
	}
	if o.SaveTransform != "" && o.Register == SameFrame {
		return nil, errors.New("--save-transform needs --register rigid or hand-eye")
	}
	if err := files.Refuse(o.SaveTransform, o.Force); err != nil {
		return nil, err
	}
	a, err := Compare(ctx, dir, truth, o)
	if err != nil {
		return nil, err
	}
	return a.summarise(ctx, dir, &o)
}

func (a *Result) summarise(ctx context.Context, dir string, o *Options) (*Summary, error) {
	report, err := a.report(ctx, o)
	if err != nil {
		return nil, err
	}
	sum := &Summary{Report: *report, Unsolved: a.Unsolved, Beyond: a.Beyond, Stations: a.Stations[1:], Result: a}
	for i := range a.Rows {
		sum.Flags.Add(a.Rows[i].Flags)
	}
	unflagged := a.part(func(i int) bool { return a.Rows[i].Flags == 0 })
	sum.Flagged = sum.N - len(unflagged.Samples)
	if sum.Flagged > 0 && sum.Flagged < sum.N {
		if sum.Unflagged, err = unflagged.report(ctx, o); err != nil {
			return nil, err
		}
	}
	names := a.SensorNames()
	for _, name := range names {
		part := a.Sensor(name)
		s := SensorSummary{Sensor: name, Freedom: assessment.Of(part.Samples[0]).Freedom, Frames: assessment.Dropped(a.truth[name].times)}
		if len(names) > 1 {
			if s.Report, err = part.report(ctx, o); err != nil {
				return nil, err
			}
		}
		o.Progress.Report("lag and drift", 0, 0)
		s.Lag, err = part.lag(a.truth[name], o.Reach)
		sum.failed("lag of "+name, err)
		s.Drift, err = part.drift()
		sum.failed("drift of "+name, err)
		if o.Budget {
			s.Budget, err = a.Budget(ctx, dir, name, o)
			sum.failed("budget of "+name+" from "+dir, err)
		}
		sum.Sensors = append(sum.Sensors, s)
	}
	return sum, ctx.Err()
}

// failed notes that a step failed; nil: it did not.
func (s *Summary) failed(step string, err error) {
	s.Failed = errors.Join(s.Failed, measure.StepFailed(step, err))
}

func (a *Result) report(ctx context.Context, o *Options) (*assessment.Report, error) {
	r, all := assessment.Summarise(a.Samples)
	if o.Resamples < 0 {
		return &r, nil
	}
	o.Progress.Report("resample", 0, 0)
	return &r, r.Bootstrap(ctx, a.Samples, all, o.Confidence, o.Resamples, o.Seed)
}
