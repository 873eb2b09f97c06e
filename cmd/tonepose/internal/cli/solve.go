package cli

import (
	"context"
	"fmt"
	"io"
	"time"

	"github.com/spf13/cobra"

	"tonepose/cmd/tonepose/internal/present"
	"tonepose/cmd/tonepose/internal/solve"
	"tonepose/cmd/tonepose/internal/verdict"
	"tonepose/solver/trajectory"
)

type solveOptions struct {
	jobFlags
	rig        string
	baseline   string
	trajectory string
	motion     string
	knots      time.Duration
	robust     string
	leaveOut   bool
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
A pose whose fit could not be judged stands, flagged "not judged".

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
	o.add(f)
	f.StringVar(&o.baseline, "baseline", "", "recording with the sensor far away: crosstalk to subtract")
	f.StringVar(&o.trajectory, "trajectory", "none", "join the poses of successive windows: none, filter (by what came before), smooth (by all) or spline (one curve through all)")
	f.DurationVar(&o.knots, "knots", 0, "time between the knots of a spline (default: chosen by cross-validation)")
	f.StringVar(&o.motion, "motion", "acceleration", "motion model of a trajectory, constant but for white process noise: acceleration or velocity")
	f.StringVar(&o.robust, "robust", "none", "loss that keeps a few wrong couplings from ruling a pose: huber, cauchy, tukey or none")
	f.BoolVar(&o.leaveOut, "leave-out", false, "leave out a coil or an emitter found wrong, put an exchanged pair back")
	return cmd
}

func runSolve(ctx context.Context, name string, o *solveOptions, options map[string]string, s Streams) error {
	begin := time.Now()
	collectOften()
	if err := needed("rig", o.rig, "solving needs the rig file of the bench"); err != nil {
		return err
	}
	if err := needed("out", o.out, "name the directory for the tables"); err != nil {
		return err
	}
	run := solve.Options{Baseline: o.baseline, Knots: o.knots.Seconds(), Verdict: verdict.Options{LeaveOut: o.leaveOut}}
	var err error
	if run.Trajectory, err = solve.ParseTrajectory(o.trajectory); err != nil {
		return err
	}
	if run.Motion.Motion, err = trajectory.ParseMotion(o.motion); err != nil {
		return err
	}
	if run.Verdict.Robust, err = verdict.ParseLoss(o.robust); err != nil {
		return fmt.Errorf("--%w", err)
	}
	var clear func()
	if run.Job, clear, err = o.job(name, options, s); err != nil {
		return err
	}
	defer clear()
	res, err := solve.Run(ctx, o.rig, run)
	clear()
	if err != nil {
		return err
	}
	warn(s, res.Info.Warnings...)
	warn(s, res.Survey.Faults()...)
	if res.Flagged > 0 || res.Unsolved > 0 {
		fmt.Fprintf(s.Err, "tonepose: %d of %d poses are flagged, %d rows are unsolved: see the flags column\n", res.Flagged, res.Poses+res.Unsolved, res.Unsolved)
	}
	for _, v := range res.Verdicts {
		for _, line := range v.Lines() {
			fmt.Fprintf(s.Err, "tonepose: %s\n", line)
		}
	}
	sum := present.SolvedOf(res, o.out, time.Since(begin))
	return o.output.show(s, sum, func(w io.Writer) error { return sum.Print(w) })
}
