package cli

import (
	"context"
	"errors"
	"io"

	"github.com/spf13/cobra"

	"tonepose/cmd/tonepose/internal/assess"
	"tonepose/cmd/tonepose/internal/files"
	"tonepose/cmd/tonepose/internal/measure"
	"tonepose/cmd/tonepose/internal/present"
	"tonepose/cmd/tonepose/internal/report"
)

type assessOptions struct {
	assess.Options
	truth, out, saveRig string
	figures             []string
	pivot               bool
	output              outputFlags
}

func newAssess(s Streams) *cobra.Command {
	var o assessOptions
	cmd := &cobra.Command{
		Use:   "assess DIR (--truth CSV|DIR | --pivot)",
		Short: "Errors of solved poses against known ones, and whether the stated sigmas hold",
		Long: `Assess compares DIR/poses.parquet with known poses: a CSV with x_m y_m z_m and,
where known, qw qx qy qz, sigma_position_m and sigma_rotation_rad. Times are given
by start_s, stop_s (a rest) or time_s (a motion), counted from the recording's
first sample; or, by another logger, by start_datetime, stop_datetime or
datetime (RFC 3339 with zone), for recordings that state their start. Rows with
the same text under station are visits of one position. DIR may hold the parts of
a live stream. Another run's DIR as truth compares two runs at equal times, as
live with a recording; they share their noise where they share their samples.

Truth in another frame is brought over by --register: rigid fits a rigid motion
between the positions; hand-eye also the fixed mounting between the reference's
marker and the sensor, from positions and orientations. Outliers of the fit are
left out of it, and named. --transform uses a motion that --save-transform wrote
before: then the same poses do not judge what they fitted.

With --pivot no truth is needed: all poses are of a pointer rotated about its tip,
which is found in the sensor's frame; --save-rig writes it as tip_m into a new
rig file, and poses solved with that carry the tip. --at tip compares tips.

Exit code: 0 done (flagged poses are in, and the numbers without them are given
too), 1 no pose could be compared, or a step after that failed, as figures, 2 the
call or a file was wrong.`,
		Example: `  tonepose assess out --truth stations.csv
  tonepose assess out --truth board.csv --register rigid --out figures
  tonepose assess pivot --pivot --save-rig pointer.rig.yaml`,
		Args: one,
		RunE: func(cmd *cobra.Command, args []string) error { return runAssess(cmd.Context(), args[0], &o, s) },
	}
	f := cmd.Flags()
	f.StringVar(&o.truth, "truth", "", "CSV of known poses, or the directory of another run")
	addValue(f, &o.Offset, "time-offset", "", "duration", signedSeconds, "added to the poses' times before they are compared")
	addValue(f, &o.Register, "register", "none", "fit", oneOf([]string{"none", "rigid", "hand-eye"}, assess.SameFrame, assess.RigidFit, assess.HandEye), "bring the truth over to the rig frame: none, rigid or hand-eye")
	f.StringVar(&o.TransformFile, "transform", "", "JSON of a registration found before, instead of --register")
	reads(f, "truth", "transform")
	f.StringVar(&o.SaveTransform, "save-transform", "", "write the registration to this file")
	f.BoolVar(&o.KeepAll, "keep-outliers", false, "let outliers take part in a registration or pivot")
	addValue(f, &o.AtTip, "at", "origin", "point", oneOf([]string{"origin", "tip"}, false, true), "compare the sensors' origin or their tip")
	f.StringVar(&o.Sensor, "sensor", "", "only this sensor")
	f.BoolVar(&o.pivot, "pivot", false, "find the tip of a pointer that was rotated about it")
	f.StringVar(&o.saveRig, "save-rig", "", "with --pivot: write the rig with the tip found to this file")
	f.BoolVar(&o.Budget, "budget", false, "split the uncertainty by its sources: noise, drive, emitters, pickups, map of metal, reference, registration")
	addValue(f, &o.Reach, "max-lag", "500ms", "duration", aboveZero(seconds), "how far to look for a lag of moving poses")
	addValue(f, &o.Confidence, "confidence", "0.95", "float", func(text string) (float64, error) {
		v, err := pureNumber.between(0, 1)(text)
		if err != nil || v == 0 || v == 1 {
			err = errors.New("must lie between 0 and 1")
		}
		return v, err
	}, "confidence level of the intervals")
	f.IntVar(&o.Resamples, "resamples", 0, "resamples of the bootstrap; 0: 2000, fewer for very many poses; negative: no intervals")
	f.Uint64Var(&o.Seed, "seed", 1, "seed of the bootstrap and of the search for outliers")
	f.StringVar(&o.out, "out", "", "directory for figures")
	addFigures(f, &o.figures, "png,svg", "the figures in --out")
	f.BoolVar(&o.Force, "force", false, "write figures into a directory that is not empty, and over files that exist")
	o.output.add(f)
	return cmd
}

func runAssess(ctx context.Context, dir string, o *assessOptions, s Streams) error {
	if o.pivot {
		if o.truth != "" {
			return errors.New("--pivot and --truth exclude each other")
		}
		tip, err := assess.Pivot(ctx, dir, assess.PivotOptions{Sensor: o.Sensor, KeepAll: o.KeepAll, Seed: o.Seed, SaveRig: o.saveRig, Force: o.Force})
		if err != nil {
			return err
		}
		return o.output.show(s, tip, func(w io.Writer) error { return present.Pivot(w, tip) })
	}
	if o.truth == "" {
		return errors.New("--truth is missing: name the CSV of known poses, or another run's directory")
	}
	if o.saveRig != "" {
		return errors.New("--save-rig needs --pivot")
	}
	figures, err := files.Into(o.out, o.Force)
	if err != nil {
		return err
	}
	defer figures.Abort()
	sum, err := run(s, &o.output, &o.Progress, func() (*assess.Summary, error) { return assess.Run(ctx, dir, o.truth, o.Options) })
	if err != nil {
		return err
	}
	failed := errors.Join(sum.Failed, o.leave(figures, dir, sum, s))
	if sum.Beyond > 0 || sum.Unsolved > 0 {
		o.output.note(s, "%d poses lie outside of the truth's times, %d rows have no pose", sum.Beyond, sum.Unsolved)
	}
	return errors.Join(o.output.show(s, present.AssessmentOf(sum), func(w io.Writer) error { return present.Assessment(w, sum) }), failed)
}

// leave writes the registration and the figures, which appear in one step.
func (o *assessOptions) leave(figures *files.Batch, run string, sum *assess.Summary, s Streams) error {
	named := &files.Batch{Force: o.Force}
	defer named.Abort()
	var saved, drawn error
	if o.SaveTransform != "" {
		saved = measure.StepFailed("registration to save", sum.Result.Registration.Add(named, o.SaveTransform))
	}
	if figures != nil {
		drawn = measure.StepFailed("figures", figures.Together(func() error {
			return draw(s, &o.output, func() error { return report.SaveAssessment(figures, run, sum, o.figures) })
		}))
	}
	if drawn != nil {
		figures.Abort() // with its folder, if it is new
		figures = nil
	}
	return errors.Join(saved, drawn, measure.StepFailed("files", files.Commit(named, figures)))
}
