package cli

import (
	"errors"
	"fmt"
	"time"
	"tonepose/cmd/tonepose/internal/measure"

	"github.com/spf13/cobra"

	"tonepose/cmd/tonepose/internal/assess"
	"tonepose/cmd/tonepose/internal/files"
	"tonepose/cmd/tonepose/internal/report"
)

type assessOptions struct {
	truth      string
	offset     time.Duration
	register   string
	transform  string
	saveAs     string
	keepAll    bool
	at         string
	sensor     string
	pivot      bool
	saveRig    string
	budget     bool
	reach      time.Duration
	confidence float64
	resamples  int
	seed       uint64
	out        string
	force      bool
	json       bool
}

func newAssess(s Streams) *cobra.Command {
	var o assessOptions
	cmd := &cobra.Command{
		Use:   "assess DIR (--truth CSV | --pivot)",
		Short: "Errors of solved poses against known ones, and whether the stated sigmas are honest",
		Long: `Assess compares DIR/poses.parquet with known poses: a CSV with x_m y_m z_m and,
where known, qw qx qy qz, sigma_position_m and sigma_rotation_rad. When is told
by start_s, stop_s (a rest) or time_s (a motion), counted from the recording's
first sample; or, by another logger, by start_datetime, stop_datetime or
datetime (RFC 3339 with zone), for recordings that state their start. Rows with
the same text under station are visits of one place.

Truth in another frame is brought over by --register: rigid fits a rigid motion
between the positions; hand-eye also the fixed mounting between the reference's
marker and the sensor, from positions and orientations. Outliers of the fit are
left out of it, and named. --transform uses a motion that --save-transform wrote
before: then the same poses do not judge what they fitted.

With --pivot no truth is needed: all poses are of a pointer turned about its tip,
which is found in the sensor's frame; --save-rig writes it as tip_m into a new
rig file, and poses solved with that carry the tip. --at tip compares tips.

Exit code: 0 done (flagged poses are in, and the numbers without them are given
too), 1 no pose could be compared, 2 the call or a file was wrong.`,
		Example: `  tonepose assess out --truth stations.csv
  tonepose assess out --truth board.csv --register rigid --out figures
  tonepose assess pivot --pivot --save-rig pointer.rig.yaml`,
		Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			if o.pivot {
				return runPivot(args[0], &o, s)
			}
			return runAssess(args[0], &o, s)
		},
	}
	f := cmd.Flags()
	f.StringVar(&o.truth, "truth", "", "CSV of known poses")
	f.DurationVar(&o.offset, "time-offset", 0, "added to the poses' times before they are compared")
	f.StringVar(&o.register, "register", "none", "bring the truth over to the rig frame: none, rigid or hand-eye")
	f.StringVar(&o.transform, "transform", "", "JSON of a registration found before, instead of --register")
	f.StringVar(&o.saveAs, "save-transform", "", "write the registration to this file")
	f.BoolVar(&o.keepAll, "keep-outliers", false, "let outliers take part in a registration or pivot")
	f.StringVar(&o.at, "at", "origin", "compare the sensors' origin or their tip")
	f.StringVar(&o.sensor, "sensor", "", "only this sensor")
	f.BoolVar(&o.pivot, "pivot", false, "find the tip of a pointer that was turned about it")
	f.StringVar(&o.saveRig, "save-rig", "", "with --pivot: write the rig with the tip found to this file")
	f.BoolVar(&o.budget, "budget", false, "say where the uncertainty comes from: noise, drive, emitters, pickups, map of metal, reference, registration")
	f.DurationVar(&o.reach, "max-lag", 500*time.Millisecond, "how far to look for a lag of moving poses")
	f.Float64Var(&o.confidence, "confidence", 0.95, "of the intervals")
	f.IntVar(&o.resamples, "resamples", 0, "of the bootstrap; 0: 2000, fewer for very many poses; negative: no intervals")
	f.Uint64Var(&o.seed, "seed", 1, "of the bootstrap and of the search for outliers")
	f.StringVar(&o.out, "out", "", "directory for figures (PNG)")
	f.BoolVar(&o.force, "force", false, "write figures into a directory that is not empty, and over files that exist")
	f.BoolVar(&o.json, "json", false, "print the result as JSON")
	return cmd
}

func (o *assessOptions) job() (p assess.Options, err error) {
	p = assess.Options{Offset: o.offset.Seconds(), KeepAll: o.keepAll, Seed: o.seed, Sensor: o.sensor}
	if p.Register, err = assess.ParseRegistering(o.register); err != nil {
		return p, err
	}
	switch {
	case o.at != "origin" && o.at != "tip":
		return p, fmt.Errorf("--at %s: must be origin or tip", o.at)
	case !(o.confidence > 0 && o.confidence < 1):
		return p, fmt.Errorf("--confidence %g: must lie between 0 and 1", o.confidence)
	case o.reach <= 0:
		return p, fmt.Errorf("--max-lag %v: must be positive", o.reach)
	case o.transform != "" && p.Register != assess.SameFrame:
		return p, errors.New("--transform and --register exclude each other")
	case o.saveAs != "" && p.Register == assess.SameFrame:
		return p, errors.New("--save-transform needs --register rigid or hand-eye")
	case o.saveRig != "":
		return p, errors.New("--save-rig needs --pivot")
	}
	p.AtTip = o.at == "tip"
	if o.transform != "" {
		p.Transform, err = assess.ReadTransform(o.transform)
	}
	return p, err
}

func runAssess(dir string, o *assessOptions, s Streams) error {
	if err := needed("truth", o.truth, "name the CSV of known poses"); err != nil {
		return err
	}
	p, err := o.job()
	if err != nil {
		return err
	}
	if o.saveAs != "" {
		if err := files.Refuse(o.saveAs, o.force); err != nil {
			return err
		}
	}
	figures, err := files.Into(o.out, o.force)
	if err != nil {
		return err
	}
	defer figures.Abort()
	a, err := assess.Run(dir, o.truth, p)
	if errors.Is(err, assess.ErrNothingToCompare) {
		return fmt.Errorf("%w: %w", measure.ErrNoRow, err)
	}
	if err != nil {
		return err
	}
	sum, err := summariseAssessed(a, dir, o)
	if err != nil {
		return err
	}
	if o.saveAs != "" {
		text, err := a.Registration.Honest().JSON()
		if err != nil {
			return err
		}
		if err := files.WriteFile(o.saveAs, text); err != nil {
			return err
		}
	}
	if o.out != "" {
		if err := report.SaveAssessment(figures, dir, a, sum.drifts); err != nil {
			return err
		}
		if err := figures.Commit(); err != nil {
			return err
		}
	}
	if a.Beyond > 0 || a.Unsolved > 0 {
		fmt.Fprintf(s.Err, "tonepose: %d poses lie outside of the truth's times, %d rows have no pose\n", a.Beyond, a.Unsolved)
	}
	if o.json {
		return writeNumbers(s.Out, sum)
	}
	return sum.print(s, a)
}
