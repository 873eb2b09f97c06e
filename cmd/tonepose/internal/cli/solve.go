package cli

import (
	"context"
	"errors"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"tonepose/cmd/tonepose/internal/present"
	"tonepose/cmd/tonepose/internal/solve"
	"tonepose/solver/leastsquares"
	"tonepose/solver/trajectory"
)

type solveOptions struct {
	solve.Options
	averaging averagingFlags
	output    outputFlags
}

func newSolve(s Streams) *cobra.Command {
	var o solveOptions
	cmd := &cobra.Command{
		Use:   "solve RECORDING --rig RIG --out DIR",
		Short: "From a recording to poses, with the uncertainty of each",
		Long: `Solve separates every tone on every channel, refers it to its digitised drive
current, and fits the pose of each sensor. DIR receives four Parquet tables:
phasors, couplings and poses, and integrity: what each fit is worth, with an
estimated error of its pose that includes distortion by metal. The figures path and
quality show the poses and what they are worth.

A coil or an emitter that reads too much, nothing, with the wrong sign, or that
is exchanged with another, or one factor on all couplings of a sensor, is named
on stderr with its evidence and the next best explanation, and its rows are
flagged "wrong channel"; --leave-out solves without it. What only all frames
together show is settled by them, and the frames are solved once more. Couplings
that do not fit the field model otherwise, or that lag as eddy currents do, are
flagged "distorted". Sigmas of poses that do not fit include what their misfit
shows; the parts are in the table integrity. A pose whose fit could not be
judged is kept, flagged "not judged".

A line beside a tone is estimated with it; where a window cannot tell them apart,
its power is in the tone's sigma. A tone that lies on a harmonic of the mains, and
without which all others agree, is named; its couplings count less, or --leave-out
leaves them out, and its rows are flagged "disturbed tone".

A drive that is not recorded, at another frequency than its tone_hz, or in
another column than the rig says, is named too.

Where the recorder itself plays the drives from a file and records only pickups,
the rig states playback: {earliest_s, latest_s}, between which instants of the
recording the file began, and of each emitter phase_deg at the file's first sample
and tolerance: {current} of its current, relative. The clock is then that of the
pickups' own tones, the start is found from their phases and the poses, and the
tolerances are in the stated sigmas. Signs that stay open are said, and the
poses flagged "ambiguous". Drives and pickups on two recorders are not supported:
two clocks part by tens of ppm and wander, 1 ppm turns a 10 kHz tone by 3.6° every
second, and nothing in the pickups tells that from another start. Record a drive
beside the pickups instead.

Without --window, --intervals or --lowpass the whole recording is one measurement.

Exit code: 0 done (doubtful rows are flagged and counted on stderr), 1 no pose
came out, or poses could not be joined (those of single windows are written) or
figures not be drawn (the tables are there), 2 the call or a file was wrong.`,
		Args: one,
		RunE: func(cmd *cobra.Command, args []string) error {
			o.Recording = args[0]
			provenance(cmd.Flags(), &o.Job)
			return runSolve(cmd.Context(), &o, s)
		},
	}
	f := cmd.Flags()
	addNeeded(f, &o.Rig, "rig", "rig file of the bench", "solving needs the rig file of the bench")
	reads(f, "rig")
	addJob(f, &o.Job, &o.averaging, s)
	require(f, "out", "name the directory for the tables")
	addFigures(f, &o.Figures, "svg", "the figures path and quality in --out")
	addSolving(f, &o.Options)
	o.output.add(f)
	return cmd
}

// addSolving adds the flags that say how phasors become poses.
func addSolving(f *pflag.FlagSet, o *solve.Options) {
	addBaseline(f, &o.Input)
	addValue(f, &o.Trajectory, "trajectory", "none", "kind", oneOf([]string{"none", "filter", "smooth", "spline"}, solve.Unjoined, solve.Filtered, solve.Smoothed, solve.Splined),
		"join the poses of successive windows: none, filter (by what came before), smooth (by all) or spline (one curve through all)")
	addValue(f, &o.Knots, "knots", "", "duration", aboveZero(signedSeconds), "time between the knots of a spline, never closer than the windows tell apart (default: chosen by the motion)")
	addValue(f, &o.Motion.Motion, "motion", "acceleration", "model", oneOf([]string{"acceleration", "velocity"}, trajectory.ConstantAcceleration, trajectory.ConstantVelocity),
		"motion model of a trajectory, constant but for white process noise: acceleration or velocity")
	alone(f, []string{"trajectory=spline"}, "knots")
	alone(f, []string{"trajectory"}, "motion")
	addLoss(f, &o.Verdict.Robust, "loss that keeps a few wrong couplings from deciding a pose: huber, cauchy, tukey or none")
	f.BoolVar(&o.Verdict.LeaveOut, "leave-out", false, "solve without a coil or an emitter found wrong or disturbed, and with an exchanged pair in its right order")
}

// addLoss adds the flag of a robust fit; nil is plain squares.
func addLoss(f *pflag.FlagSet, to *leastsquares.Loss, help string) {
	losses := oneOf[leastsquares.Loss]([]string{"none", "huber", "cauchy", "tukey"}, nil, leastsquares.Huber{}, leastsquares.Cauchy{}, leastsquares.Tukey{})
	addValue(f, to, "robust", "none", "loss", losses, help)
}

func runSolve(ctx context.Context, o *solveOptions, s Streams) error {
	begin := time.Now()
	if err := o.averaging.finish(&o.Job); err != nil {
		return err
	}
	res, err := run(s, &o.output, &o.Progress, func() (*solve.Result, error) { return solve.Run(ctx, o.Options) })
	if err != nil && !errors.Is(err, solve.ErrNoPose) {
		return err
	}
	warn(s, res.Info.Warnings...)
	warn(s, res.Survey.Faults()...)
	warn(s, res.Start.Doubts()...)
	if res.Flags.Flagged > 0 || res.Unsolved > 0 {
		say(s.Err, "%d of %d poses are flagged, %d rows are unsolved: see the flags column", res.Flags.Flagged, res.Poses+res.Unsolved, res.Unsolved)
	}
	for _, v := range res.Verdicts {
		for _, line := range v.Lines() {
			say(s.Err, "%s", line)
		}
	}
	sum := present.SolvedOf(res, o.Out, time.Since(begin))
	return errors.Join(append([]error{o.output.show(s, sum, sum.Print), res.Failed, err}, res.Unjoined...)...)
}
