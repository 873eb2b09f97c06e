package cli

import (
	"context"
	"encoding/json"
	"fmt"
	"time"

	"github.com/spf13/cobra"

	"tonepose/cmd/tonepose/internal/pipeline"
	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/multitone/clock"
	"tonepose/solver"
	"tonepose/solver/trajectory"
)

type solveOptions struct {
	recording recordingFlags
	rig       string
	out       string
	force     bool
	framing   framingFlags
	clock     string
	baseline  string
	join      string
	motion    string
	knots     time.Duration
	robust    string
	leaveOut  bool
	json      bool
	quiet     bool
}

func newSolve(s Streams) *cobra.Command {
	var o solveOptions
	cmd := &cobra.Command{
		Use:   "solve RECORDING --rig RIG --out DIR",
		Short: "From a recording to poses, with the uncertainty of each",
		Long: `Solve separates every tone on every channel, refers it to its digitised drive
current, and fits the pose of each sensor. DIR receives four Parquet tables:
phasors, couplings and poses, and integrity: what each fit is worth, with an
estimated error of its pose that includes distortion by metal.

A coil or an emitter that reads too much, nothing, with the wrong sign, or that
has changed places with another, is named on stderr, and its rows are flagged
"wrong channel"; --leave-out solves without it. Couplings that do not fit the
field model otherwise, or that lag as eddy currents do, are flagged "distorted".

Without --window, --intervals or --lowpass the whole recording is one measurement.

Exit code: 0 done (doubtful rows are flagged and counted on stderr), 1 no pose
came out, 2 the call or a file was wrong.`,
		Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			return runSolve(cmd.Context(), args[0], &o, record(cmd.Flags()), s)
		},
	}
	f := cmd.Flags()
	f.StringVar(&o.rig, "rig", "", "rig file of the bench")
	f.StringVar(&o.out, "out", "", "directory for the tables")
	f.BoolVar(&o.force, "force", false, "write into a directory that is not empty")
	o.framing.add(f)
	addClock(f, &o.clock)
	f.StringVar(&o.baseline, "baseline", "", "recording with the sensor far away: crosstalk to subtract")
	f.StringVar(&o.join, "trajectory", "none", "join the poses of successive windows: none, filter (by what came before), smooth (by all) or spline (one curve through all)")
	f.DurationVar(&o.knots, "knots", 0, "time between the knots of a spline (default: chosen by cross-validation)")
	f.StringVar(&o.motion, "motion", "acceleration", "what a trajectory takes as constant but for white noise: acceleration or velocity")
	f.StringVar(&o.robust, "robust", "none", "loss that keeps a few wrong couplings from ruling a pose: huber, cauchy, tukey or none")
	f.BoolVar(&o.leaveOut, "leave-out", false, "leave out a coil or an emitter found wrong, put an exchanged pair back")
	f.BoolVar(&o.json, "json", false, "print the summary as JSON")
	f.BoolVar(&o.quiet, "quiet", false, "no progress, no summary")
	o.recording.add(f)
	return cmd
}

// solveSummary is what solve prints.
type solveSummary struct {
	Recording   string                `json:"recording"`
	DurationS   float64               `json:"duration_s"`
	ClockPPM    []float64             `json:"clock_ppm"` // offset of each tone, start to end
	MainsHz     float64               `json:"mains_hz"`  // 0: none seen
	Frames      int                   `json:"frames"`
	Poses       int                   `json:"poses"`
	Unsolved    int                   `json:"unsolved"`
	Flagged     int                   `json:"flagged"`
	ElapsedS    float64               `json:"elapsed_s"`
	Averaging   *pipeline.Averaging   `json:"averaging"`
	Faults      []string              `json:"faults"` // of the samples, with channel and time
	Integrity   []*pipeline.Integrity `json:"integrity"`
	DirectoryID string                `json:"out"`
}

func runSolve(ctx context.Context, name string, o *solveOptions, options map[string]string, s Streams) error {
	begin := time.Now()
	frugal()
	if err := needed("rig", o.rig, "solving needs the rig file of the bench"); err != nil {
		return err
	}
	if err := needed("out", o.out, "name the directory for the tables"); err != nil {
		return err
	}
	mode, err := clock.ParseMode(o.clock)
	if err != nil {
		return err
	}
	r, err := rig.Load(o.rig, rig.Options{})
	if err != nil {
		return err
	}
	bench := pipeline.NewBench(r)
	windows, err := o.framing.windows(sensorNames(r))
	if err != nil {
		return err
	}
	rec, err := bench.Open(ctx, name, o.recording.options(s))
	if err != nil {
		return err
	}
	defer rec.Close()
	show, clear := progress(s, o.quiet || o.json)
	defer clear()
	run := pipeline.SolveOptions{Clock: mode, Windows: windows, Progress: show}
	if run.Trajectory, err = pipeline.ParseTrajectory(o.join); err != nil {
		return err
	}
	if run.Trajectory != pipeline.Unjoined && windows.Length == 0 {
		return fmt.Errorf("--trajectory %s needs --window", o.join)
	}
	run.Knots = o.knots.Seconds()
	if run.Motion.Motion, err = trajectory.ParseMotion(o.motion); err != nil {
		return err
	}
	run.LeaveOut = o.leaveOut
	if run.Robust, err = pipeline.ParseLoss(o.robust); err != nil {
		return fmt.Errorf("--%w", err)
	}
	if o.baseline != "" {
		if run.Baseline, err = bench.Open(ctx, o.baseline, o.recording.options(s)); err != nil {
			return err
		}
		defer run.Baseline.Close()
	}
	if err := bench.PrepareSolvers(solver.Options{}); err != nil {
		return err
	}
	info := rec.Info()
	set, err := tables.Create(o.out, o.force, tables.Metadata{Tool: version(), Rig: string(r.Text), Options: options,
		Recording: tables.Recording{Name: info.Name, Size: info.SizeBytes, Start: info.Start}},
		tables.PhasorsName, tables.CouplingsName, tables.PosesName, tables.IntegrityName)
	if err != nil {
		return err
	}
	defer set.Abort()
	sum, err := bench.Solve(ctx, rec, run, pipeline.Sink{Phasors: set.Phasors.Write, Couplings: set.Couplings.Write, Poses: set.Poses.Write, Integrity: set.Integrity.Write})
	clear()
	if err != nil {
		return err
	}
	warnAll(s, info.Warnings)
	reportFaults(s, sum.Faults())
	set.Metadata.Recording.SHA256 = sum.Survey.SHA256
	if sum.Poses == 0 {
		return fmt.Errorf("%s: %w: none of %d frames gave a pose", name, errNoRow, sum.Frames)
	}
	if err := set.Close(); err != nil {
		return err
	}
	if sum.Flagged > 0 || sum.Failed > 0 {
		fmt.Fprintf(s.Err, "tonepose: %d of %d poses are flagged, %d rows are unsolved: see the flags column\n", sum.Flagged, sum.Poses+sum.Failed, sum.Failed)
	}
	for _, g := range sum.Integrity {
		for _, line := range g.Lines() {
			fmt.Fprintf(s.Err, "tonepose: %s\n", line)
		}
	}
	out := solveSummary{Recording: info.Name, DurationS: info.Duration(), MainsHz: sum.Survey.MainsHz, Frames: sum.Frames,
		Poses: sum.Poses, Unsolved: sum.Failed, Flagged: sum.Flagged, ElapsedS: time.Since(begin).Seconds(), Integrity: sum.Integrity, DirectoryID: o.out, Averaging: sum.Averaging, Faults: sum.Faults()}
	for k, hz := range sum.Survey.Track.Hz(0, info.Duration()) {
		out.ClockPPM = append(out.ClockPPM, (hz/r.Emitters[k].ToneHz-1)*1e6)
	}
	if o.json {
		return json.NewEncoder(s.Out).Encode(out)
	}
	if o.quiet {
		return nil
	}
	fmt.Fprintf(s.Out, "%s: %.4g s, %d frames, %d poses in %s\n", info.Name, out.DurationS, out.Frames, out.Poses, o.out)
	for i, t := range sum.Tracks {
		if t.Knots > 0 {
			fmt.Fprintf(s.Out, "%s: spline, knots every %.3g ms\n", r.Sensors[i].Name, t.Knots*1e3)
			continue
		}
		fmt.Fprintf(s.Out, "%s: %s, driving noise %.3g and %.3g (SI), latency of the filter %v\n", r.Sensors[i].Name, o.join, t.PositionNoise, t.RotationNoise, o.framing.window/2)
	}
	fmt.Fprintf(s.Out, "clock offset %s, mains %s, solved in %.2g s\n", spanPPM(out.ClockPPM), mainsWords(out.MainsHz, len(sum.Survey.Lines)), out.ElapsedS)
	printAveraging(s, sum.Averaging)
	return nil
}

func sensorNames(r *rig.Rig) []string {
	var names []string
	for _, s := range r.Sensors {
		names = append(names, s.Name)
	}
	return names
}

func spanPPM(ppm []float64) string {
	lo, hi := ppm[0], ppm[0]
	for _, v := range ppm {
		lo, hi = min(lo, v), max(hi, v)
	}
	if hi-lo < 0.001 {
		return fmt.Sprintf("%.3f ppm", lo)
	}
	return fmt.Sprintf("%.3f to %.3f ppm", lo, hi)
}

func mainsWords(hz float64, lines int) string {
	if hz == 0 {
		return "not seen"
	}
	return fmt.Sprintf("%.3f Hz with %d lines", hz, lines)
}

func warnAll(s Streams, warnings []error) {
	for _, w := range warnings {
		fmt.Fprintf(s.Err, "tonepose: warning: %v\n", w)
	}
}
