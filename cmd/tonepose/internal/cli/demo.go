package cli

import (
	"context"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"time"

	"github.com/spf13/cobra"

	"tonepose/cmd/tonepose/internal/figure"
	"tonepose/cmd/tonepose/internal/pipeline"
	"tonepose/cmd/tonepose/internal/report"
	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/multitone/recording"
	"tonepose/solver"
	"tonepose/solver/assessment"
)

type demoOptions struct {
	dir   string
	seed  uint64
	quiet bool
}

func newDemo(s Streams) *cobra.Command {
	var o demoOptions
	cmd := &cobra.Command{
		Use:   "demo",
		Short: "Simulate an invented bench, solve it, assess it, draw it",
		Long: `Demo runs the main job on invented data: a bench of eight coils inspects a
plastic pipe with a small probe. It simulates what the ADC would record, solves
the probe's poses from the samples alone, compares them with the truth, and
leaves recordings, tables and figures in --dir.

Exit code: 0 done, 1 no pose came out, 2 the call was wrong.`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, args []string) error { return runDemo(cmd.Context(), &o, s) },
	}
	f := cmd.Flags()
	f.StringVar(&o.dir, "dir", "tonepose-demo", "directory for recordings, tables and figures; what an earlier demo left there is replaced")
	f.Uint64Var(&o.seed, "seed", 1, "seed of the invented noise")
	f.BoolVar(&o.quiet, "quiet", false, "no progress")
	return cmd
}

// demoRun is one of the demo's recordings and how it is cut.
type demoRun struct {
	path, words string
	windows     func(dir string) (pipeline.Windows, error)
}

var demoRuns = []demoRun{
	{"stations", "27 rests of 80 ms, one measurement each", func(dir string) (pipeline.Windows, error) {
		rows, err := tables.ReadIntervals(filepath.Join(dir, "stations.intervals.csv"), []string{"probe"})
		return pipeline.Windows{Intervals: rows}, err
	}},
	{"sweep", "a free motion, windows of 10 ms", func(string) (pipeline.Windows, error) {
		return pipeline.Windows{Length: 10e-3, Hop: 10e-3}, nil
	}},
}

const inventedNote = "Invented data: a simulated plastic-pipe inspection bench."

func runDemo(ctx context.Context, o *demoOptions, s Streams) error {
	begin := time.Now()
	if err := os.MkdirAll(o.dir, 0o777); err != nil {
		return err
	}
	const deg = 180 / math.Pi
	fmt.Fprintf(s.Out, "Invented data: eight coils under a plastic pipe, a probe with three pickup coils.\n\n")
	fmt.Fprintf(s.Out, "%-10s %6s %22s %22s %14s %10s\n", "run", "poses", "position RMS [mm]", "orientation RMS [°]", "error² over", "inside 95 %")
	fmt.Fprintf(s.Out, "%-10s %6s %11s %10s %11s %10s %14s %10s\n", "", "", "error", "predicted", "error", "predicted", "predicted", "region")
	for _, run := range demoRuns {
		r, err := solveDemo(ctx, o, s, run)
		if err != nil {
			return err
		}
		fmt.Fprintf(s.Out, "%-10s %6d %11.4f %10.4f %11.4f %10.4f %14.2f %8.1f %%\n", run.path, r.N, r.PositionRMS*1e3, r.PredictedPosition*1e3,
			r.OrientationRMS*deg, r.PredictedRotation*deg, r.NormalisedMedian, 100*r.Coverage95)
	}
	fmt.Fprintf(s.Out, "\nstations: %s; sweep: %s\n", demoRuns[0].words, demoRuns[1].words)
	fmt.Fprintf(s.Out, "%s holds the recordings, tables and figures (path, accuracy, spectrum, coupling); %.1f s\n", o.dir, time.Since(begin).Seconds())
	return nil
}

func solveDemo(ctx context.Context, o *demoOptions, s Streams, run demoRun) (assessment.Report, error) {
	var none assessment.Report
	show, clear := progress(s, o.quiet)
	defer clear()
	b, err := pipeline.SimulateBench(ctx, o.dir, run.path, o.seed, true, func(done, total int64) {
		show(run.path+": simulate", done, total)
	})
	if err != nil {
		return none, err
	}
	bench := pipeline.NewBench(b.Rig)
	rec, err := bench.Open(ctx, filepath.Join(o.dir, run.path+".sigmf-meta"), recording.Options{})
	if err != nil {
		return none, err
	}
	defer rec.Close()
	if err := bench.PrepareSolvers(solver.Options{}); err != nil {
		return none, err
	}
	windows, err := run.windows(o.dir)
	if err != nil {
		return none, err
	}
	info := rec.Info()
	out := filepath.Join(o.dir, run.path)
	set, err := tables.Create(out, true, tables.Metadata{Tool: version(), Rig: string(b.Rig.Text), Options: map[string]string{"demo": run.path},
		Recording: tables.Recording{Name: info.Name, Size: info.SizeBytes, Start: info.Start}})
	if err != nil {
		return none, err
	}
	defer set.Abort()
	sum, err := bench.Solve(ctx, rec, pipeline.SolveOptions{Windows: windows, Progress: show},
		pipeline.Sink{Phasors: set.Phasors.Write, Couplings: set.Couplings.Write, Poses: set.Poses.Write})
	if err != nil {
		return none, err
	}
	set.Metadata.Recording.SHA256 = sum.Survey.SHA256
	if err := set.Close(); err != nil {
		return none, err
	}
	a, err := pipeline.Assess(out, filepath.Join(o.dir, run.path+".truth.csv"), 0)
	if err != nil {
		return none, err
	}
	r, _ := assessment.Summarise(a.Samples)
	return r, drawDemo(ctx, o, run, a, rec, sum.Survey)
}

func drawDemo(ctx context.Context, o *demoOptions, run demoRun, a *pipeline.Assessed, rec *recording.Reader, survey *pipeline.Survey) error {
	path, err := report.Path(a, "Path of the probe: "+run.path, inventedNote)
	if err != nil {
		return err
	}
	coupling, err := report.Coupling(filepath.Join(o.dir, run.path), a.Rig, 0, "Coupling matrix, first window: "+run.path, inventedNote)
	if err != nil {
		return err
	}
	figures := map[string]*figure.Figure{
		"path":     path,
		"accuracy": report.Accuracy(a, a.Rig.Sensors[0].Name, "Error against prediction: "+run.path, inventedNote),
		"coupling": coupling,
	}
	if figures["spectrum"], err = report.Spectrum(ctx, rec, a.Rig, survey, "Spectrum of every channel: "+run.path, inventedNote); err != nil {
		return err
	}
	for name, f := range figures {
		if err := f.Save(filepath.Join(o.dir, run.path+"-"+name+".png")); err != nil {
			return err
		}
	}
	return nil
}
