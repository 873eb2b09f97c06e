package pair

import (
	"context"

	"tonepose/cmd/tonepose/internal/measure"
	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/cmd/tonepose/internal/verdict"
	"tonepose/multitone/recording"
)

// Output is what a run gave: the result over the whole recording, and how the
// rows of a time series came about.
type Output struct {
	*Result
	Rows   int             `json:"rows,omitempty"`
	Flags  verdict.Counts  `json:"-"` // of the rows
	Out    string          `json:"out,omitempty"`
	Faults []string        `json:"faults,omitempty"` // of the samples, with channel and time
	Info   recording.Info  `json:"-"`
	Series *measure.Result `json:"-"` // nil without a time series
}

// Run measures a signal against a reference: the whole recording, and with
// windows or a low-pass also against time, into tables and a figure. Without, the
// result goes to a table of one row a harmonic where the job has a directory.
func Run(ctx context.Context, j measure.Job, o Options) (*Output, error) {
	if err := j.ReadIntervals(nil); err != nil {
		return nil, err
	}
	_, rec, err := j.Open(ctx)
	if err != nil {
		return nil, err
	}
	defer rec.Close()
	p, err := Find(ctx, rec, o)
	if err != nil {
		return nil, err
	}
	out := &Output{Info: p.info, Out: j.Out}
	series := j.Windows.Successive() || j.Windows.Intervals != nil
	if series {
		if out.Series, err = p.Series(ctx, rec, j, o.Figures); err != nil {
			return nil, err
		}
		out.Rows, out.Faults, out.Flags = out.Series.Frames, out.Series.Survey.Faults(), out.Series.Flags
	}
	res, survey, err := p.Whole(ctx, rec, j.Progress)
	if err != nil && series {
		err = measure.StepFailed("result over the whole recording", err)
	}
	if err != nil {
		return nil, err
	}
	out.Result = res
	if series {
		return out, nil
	}
	out.Faults = survey.Faults()
	for range max(1, len(res.Harmonics)) {
		out.Flags.Add(res.flags())
	}
	if j.Out == "" {
		return out, nil
	}
	out.Rows = 1
	return out, j.Write(nil, rec, func(set *tables.Set) error { return p.write(res, set) }, tables.DemodulatedName)
}
