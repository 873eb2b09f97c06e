package assess

import (
	"context"
	"errors"
	"fmt"

	"tonepose/cmd/tonepose/internal/files"
	"tonepose/solver/assessment"
)

// Summary is all about a run's errors, in the form of its JSON.
type Summary struct {
	assessment.Report
	Unsolved int `json:"n_unsolved"`     // rows without a pose
	Beyond   int `json:"n_beyond_truth"` // poses outside of the truth's times
	Flagged  int `json:"n_flagged"`
	// Unflagged is the same without flagged poses, where there are some of both.
	Unflagged    *assessment.Report `json:"unflagged,omitempty"`
	Registration *Registered        `json:"-"`
	Stations     []string           `json:"stations,omitempty"` // labels, station 1 first
	Sensors      []SensorSummary    `json:"sensors"`
	Result       *Result            `json:"-"`
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
	if o.SaveTransform != "" {
		if o.Register == SameFrame {
			return nil, errors.New("--save-transform needs --register rigid or hand-eye")
		}
		if err := files.Refuse(o.SaveTransform, o.Force); err != nil {
			return nil, err
		}
	}
	a, err := Compare(ctx, dir, truth, o)
	if err != nil {
		return nil, err
	}
	sum, err := a.summarise(ctx, dir, &o)
	if err != nil || o.SaveTransform == "" {
		return sum, err
	}
	text, err := a.Registration.text()
	if err != nil {
		return nil, err
	}
	return sum, files.WriteFile(o.SaveTransform, text)
}

func (a *Result) summarise(ctx context.Context, dir string, o *Options) (*Summary, error) {
	sum := &Summary{Report: a.report(o), Unsolved: a.Unsolved, Beyond: a.Beyond, Registration: a.Registration, Stations: a.Stations[1:], Result: a}
	for _, r := range a.Rows {
		if r.Flags != 0 {
			sum.Flagged++
		}
	}
	if sum.Flagged > 0 && sum.Flagged < sum.N {
		r := a.Unflagged().report(o)
		sum.Unflagged = &r
	}
	names := a.SensorNames()
	for _, name := range names {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		part := a.Sensor(name)
		s := SensorSummary{Sensor: name, Freedom: assessment.Of(part.Samples[0]).Freedom, Frames: a.Frames(name)}
		if len(names) > 1 {
			r := part.report(o)
			s.Report = &r
		}
		var err error
		if s.Lag, err = a.Lag(name, o.Reach); err != nil {
			return nil, err
		}
		if s.Drift, err = a.Drift(name); err != nil {
			return nil, err
		}
		if o.Budget {
			if s.Budget, err = a.Budget(dir, name, o.Confidence); err != nil {
				return nil, fmt.Errorf("%s: %w", dir, err)
			}
		}
		sum.Sensors = append(sum.Sensors, s)
	}
	return sum, nil
}

func (a *Result) report(o *Options) assessment.Report {
	r, all := assessment.Summarise(a.Samples)
	if o.Resamples >= 0 {
		r.Bootstrap(a.Samples, all, o.Confidence, o.Resamples, o.Seed)
	}
	return r
}
