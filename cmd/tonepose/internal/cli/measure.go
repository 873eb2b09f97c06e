package cli

import (
	"context"
	"errors"
	"fmt"
	"io"

	"github.com/spf13/cobra"

	"tonepose/cmd/tonepose/internal/measure"
	"tonepose/cmd/tonepose/internal/pair"
	"tonepose/cmd/tonepose/internal/present"
)

type measureOptions struct {
	measure.Job
	averaging averagingFlags
	pair      pair.Options
	output    outputFlags
}

func newMeasure(s Streams) *cobra.Command {
	var o measureOptions
	cmd := &cobra.Command{
		Use:   "measure RECORDING (--rig RIG | --signal CHANNEL --reference CHANNEL)",
		Short: "Amplitude and phase of tones, with the sigma of each",
		Long: `With a rig, its tones are measured on every channel, into phasors.parquet in --out.

With --signal and --reference no rig is needed: one channel is measured against
the tone that another carries, whatever its frequency; a square wave does as
well as a sine. The result over the whole recording is printed; of a signal that
changes meanwhile it is the mean, and sigmas tell how far the signal is from it.
With --window or --lowpass, in-phase and quadrature part, amplitude and phase against time go
to demodulated.parquet and the figure demodulated in --out. Phases are those of the
signal minus those of the reference; of harmonic n, minus n times those of the
reference's tone.

Exit code: 0 done, 1 no phasor came out, or a step after the tables failed, as the
figure, 2 the call or a file was wrong.`,
		Example: `  tonepose measure bridge.csv --signal bridge --reference carrier
  tonepose measure bridge.csv --signal bridge --reference carrier --lowpass cascade4 --time-constant 30ms --out run
  tonepose measure chopped.wav --signal diode --reference chopper --harmonics 1,3,5 --window 100ms --out run`,
		Args: one,
		RunE: func(cmd *cobra.Command, args []string) error {
			o.Recording = args[0]
			provenance(cmd.Flags(), &o.Job)
			return runMeasure(cmd.Context(), &o, s)
		},
	}
	f := cmd.Flags()
	f.StringVar(&o.Rig, "rig", "", "rig file whose tones are measured")
	reads(f, "rig")
	f.StringVar(&o.pair.Signal, "signal", "", "channel to measure, by its name")
	f.StringVar(&o.pair.Reference, "reference", "", "channel that carries the reference, by its name")
	f.IntSliceVar(&o.pair.Harmonics, "harmonics", nil, "multiples of the reference's frequency to measure, as 1,3,5 (default 1)")
	addValue(f, &o.pair.NearHz, "near", "", "frequency", hertz.positive, "frequency in hertz near which the reference's tone is sought, within 5 % (default: its strongest line)")
	addJob(f, &o.Job, &o.averaging, s)
	addFigures(f, &o.pair.Figures, "png,svg", "the figure of --signal against time")
	addFullScale(f, &o.Input)
	o.output.add(f)
	return cmd
}

func (o *measureOptions) check() error {
	p := &o.pair
	paired := p.Signal != "" || p.Reference != ""
	switch {
	case paired && o.Rig != "":
		return errors.New("--rig and --signal/--reference exclude each other")
	case !paired && o.Rig == "":
		return errors.New("nothing to measure: give --rig, or --signal and --reference")
	case paired && (p.Signal == "" || p.Reference == ""):
		return halfPair(*p)
	case paired && p.Signal == p.Reference:
		return fmt.Errorf("--signal %s --reference %s: both are one channel, which tells nothing about itself: name another as reference", p.Signal, p.Reference)
	case o.Rig != "" && o.Out == "":
		return errors.New("--out is missing: name the directory for phasors.parquet")
	case !paired && (p.Harmonics != nil || p.NearHz != 0):
		return errors.New("--harmonics and --near need --signal and --reference")
	}
	for _, h := range p.Harmonics {
		if h < 1 || h > 64 {
			return fmt.Errorf("--harmonics %d: must lie in 1 to 64", h)
		}
	}
	if err := o.averaging.finish(&o.Job); err != nil {
		return err
	}
	if (o.Windows.Successive() || o.Intervals != "") && o.Out == "" {
		return errors.New("--out is missing: a time series goes to tables in a directory")
	}
	return nil
}

func runMeasure(ctx context.Context, o *measureOptions, s Streams) error {
	if err := o.check(); err != nil {
		return err
	}
	if o.Rig != "" {
		res, err := run(s, &o.output, &o.Progress, func() (*measure.Result, error) { return measure.Tones(ctx, o.Job) })
		if err != nil {
			return err
		}
		warn(s, res.Info.Warnings...)
		warn(s, res.Survey.Faults()...)
		sum := present.MeasuredOf(res, o.Out)
		return o.output.show(s, sum, sum.Print)
	}
	res, err := run(s, &o.output, &o.Progress, func() (*pair.Output, error) { return pair.Run(ctx, o.Job, o.pair) })
	if err != nil {
		return err
	}
	warn(s, res.Info.Warnings...)
	warn(s, res.Faults...)
	err = o.output.show(s, present.PairOf(res), func(w io.Writer) error { return present.Pair(w, res, o.pair.Signal, o.pair.Reference) })
	if res.Series != nil {
		err = errors.Join(err, res.Series.Failed)
	}
	return err
}

// halfPair is the error of a signal without its reference, or the other way round.
func halfPair(o pair.Options) error {
	given, name, missing := "--signal", o.Signal, "--reference"
	if o.Signal == "" {
		given, name, missing = missing, o.Reference, given
	}
	return fmt.Errorf("%s %s: %s is missing, they go together: name the other channel, too", given, name, missing)
}
