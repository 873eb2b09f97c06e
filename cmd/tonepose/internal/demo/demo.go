// Package demo runs the main job on invented data: it simulates a pipe-inspection
// bench, solves it from the samples alone, compares with the truth and draws what
// it found.
package demo

import (
	"context"
	"path/filepath"

	"tonepose/cmd/tonepose/internal/assess"
	"tonepose/cmd/tonepose/internal/figure"
	"tonepose/cmd/tonepose/internal/files"
	"tonepose/cmd/tonepose/internal/inspect"
	"tonepose/cmd/tonepose/internal/measure"
	"tonepose/cmd/tonepose/internal/report"
	"tonepose/cmd/tonepose/internal/simulate"
	"tonepose/cmd/tonepose/internal/solve"
	"tonepose/cmd/tonepose/internal/stream"
	"tonepose/cmd/tonepose/internal/verdict"
	"tonepose/solver/assessment"
)

// Options of the demo.
type Options struct {
	Dir      string // for recordings, tables and figures; what an earlier demo left there is replaced
	Seed     uint64
	Tool     string // version, for the tables
	Progress stream.Progress
	Figures  []string // formats
}

// Scene is one of the demo's recordings and how it is cut.
type Scene struct {
	Path, Words string
	windows     stream.Windows
	intervals   string // file beside the recording; empty: windows
}

var scenes = []Scene{
	{Path: "stations", Words: "27 rests of 80 ms, one measurement each", intervals: "stations.intervals.csv"},
	{Path: "sweep", Words: "a free motion, windows of 10 ms", windows: stream.Windows{Length: 10e-3, Hop: 10e-3}},
}

const inventedNote = "Invented data: a simulated plastic-pipe inspection bench."

// Result is how well the poses of one scene agree with the truth.
type Result struct {
	Scene
	Report assessment.Report
	Flags  verdict.Counts // of the poses
}

// Run plays all scenes. Where a step fails, what came before it is kept: see measure.ErrStep.
func Run(ctx context.Context, o Options) (all []Result, err error) {
	rigFile, err := simulate.WriteBench(o.Dir)
	if err != nil {
		return nil, err
	}
	for _, sc := range scenes {
		r, err := sc.run(ctx, rigFile, o)
		if err != nil {
			return nil, err
		}
		all = append(all, *r)
	}
	return all, nil
}

// run plays one scene.
func (sc Scene) run(ctx context.Context, rigFile string, o Options) (*Result, error) {
	in := func(name string) string { return filepath.Join(o.Dir, name) }
	failed := func(step string, err error) error { return measure.StepFailed(sc.Path+", "+step, err) }
	err := simulate.Bench(ctx, rigFile, sc.Path, o.Seed, func(done, total int64) {
		o.Progress.Report(sc.Path+": simulate", done, total)
	})
	if err != nil {
		return nil, failed("simulate", err)
	}
	job := measure.Job{Input: measure.Input{Recording: in(sc.Path + ".sigmf-meta"), Rig: rigFile, Progress: o.Progress},
		Out: in(sc.Path), Force: true, Windows: sc.windows, Tool: o.Tool, Options: map[string]string{"demo": sc.Path}}
	if sc.intervals != "" {
		job.Intervals = in(sc.intervals)
	}
	solved, err := solve.Run(ctx, solve.Options{Job: job})
	if err != nil {
		return nil, failed("solve", err)
	}
	a, err := assess.Compare(ctx, job.Out, in(sc.Path+".truth.csv"), assess.Options{})
	if err != nil {
		return nil, failed("assess", err)
	}
	r := &Result{Scene: sc, Flags: solved.Flags}
	r.Report, _ = assessment.Summarise(a.Samples)
	return r, failed("draw", sc.draw(ctx, &job, a, o.Figures))
}

func (sc Scene) draw(ctx context.Context, job *measure.Job, a *assess.Result, formats []string) error {
	coupling, err := report.Coupling(job.Out, a.Rig, 0, "Coupling matrix, first window: "+sc.Path, inventedNote)
	if err != nil {
		return err
	}
	in, err := inspect.Run(ctx, job.Input, "")
	if err != nil {
		return err
	}
	in.Lines = nil // what motion puts beside the tones needs no names here
	spectrum := report.Inspected(in)
	spectrum.Title, spectrum.Note = "Spectrum of every channel: "+sc.Path, inventedNote
	job.Progress.Report(sc.Path+": draw", 0, 0)
	to, err := files.Into(filepath.Dir(job.Out), true)
	if err != nil {
		return err
	}
	defer to.Abort()
	err = report.Save(to, sc.Path+"-", map[string]*figure.Figure{
		"path":     report.Path(a, "Path of the probe: "+sc.Path, inventedNote),
		"accuracy": report.Accuracy(a, a.Rig.Sensors[0].Name, "Error against prediction: "+sc.Path, inventedNote),
		"coupling": coupling,
		"spectrum": spectrum,
	}, formats)
	if err != nil {
		return err
	}
	return to.Commit()
}
