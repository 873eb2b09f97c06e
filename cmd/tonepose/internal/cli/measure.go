package cli

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"

	"github.com/spf13/cobra"

	"tonepose/cmd/tonepose/internal/measure"
	"tonepose/cmd/tonepose/internal/pair"
	"tonepose/cmd/tonepose/internal/present"
)

type measureOptions struct {
	jobFlags
	rig       string
	signal    string
	reference string
	harmonics []int
	near      float64
}

func newMeasure(s Streams) *cobra.Command {
	var o measureOptions
	cmd := &cobra.Command{
		Use:   "measure RECORDING (--rig RIG | --signal CHANNEL --reference CHANNEL)",
		Short: "Amplitude and phase of tones, with the sigma of each",
		Long: `With a rig, its tones are measured on every channel, into phasors.parquet in --out.

With --signal and --reference no rig is needed: one channel is measured against
the tone that another carries, whatever its frequency; a square wave does as
well as a sine. The result over the whole recording is printed. With --window
or --lowpass, in-phase and quadrature part, amplitude and phase against time go
to demodulated.parquet and demodulated.png in --out. Phases are those of the
signal minus those of the reference; of harmonic n, minus n times those of the
reference's tone.

Exit code: 0 done, 1 no phasor came out, 2 the call or a file was wrong.`,
		Example: `  tonepose measure bridge.csv --signal bridge --reference carrier
  tonepose measure bridge.csv --signal bridge --reference carrier --lowpass cascade4 --time-constant 30ms --out run
  tonepose measure chopped.wav --signal diode --reference chopper --harmonics 1,3,5 --window 100ms --out run`,
		Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			return runMeasure(cmd.Context(), args[0], &o, record(cmd.Flags()), s)
		},
	}
	f := cmd.Flags()
	f.StringVar(&o.rig, "rig", "", "rig file whose tones are measured")
	f.StringVar(&o.signal, "signal", "", "channel to measure, by its name")
	f.StringVar(&o.reference, "reference", "", "channel that carries the reference, by its name")
	f.IntSliceVar(&o.harmonics, "harmonics", nil, "multiples of the reference's frequency to measure, as 1,3,5 (default 1)")
	f.Float64Var(&o.near, "near", 0, "frequency in hertz near which the reference's tone is sought, within 5 % (default: its strongest line)")
	o.add(f)
	o.recording.addFullScale(f)
	return cmd
}

func (o *measureOptions) check() error {
	pair := o.signal != "" || o.reference != ""
	switch {
	case pair && o.rig != "":
		return errors.New("--rig and --signal/--reference exclude each other")
	case !pair && o.rig == "":
		return errors.New("nothing to measure: give --rig, or --signal and --reference")
	case pair && (o.signal == "" || o.reference == ""):
		return errors.New("--signal and --reference go together")
	case o.rig != "" && o.out == "":
		return errors.New("--out is missing: name the directory for phasors.parquet")
	case !pair && (o.harmonics != nil || o.near != 0):
		return errors.New("--harmonics and --near need --signal and --reference")
	case o.framing.series() && o.out == "":
		return errors.New("--out is missing: a time series goes to tables in a directory")
	case o.near < 0 || math.IsNaN(o.near) || math.IsInf(o.near, 0):
		return fmt.Errorf("--near %g: must be positive", o.near)
	}
	for _, h := range o.harmonics {
		if h < 1 || h > 64 {
			return fmt.Errorf("--harmonics %d: must lie in 1 to 64", h)
		}
	}
	return nil
}

func runMeasure(ctx context.Context, name string, o *measureOptions, options map[string]string, s Streams) error {
	collectOften()
	if err := o.check(); err != nil {
		return err
	}
	j, clear, err := o.job(name, options, s)
	if err != nil {
		return err
	}
	defer clear()
	if o.rig != "" {
		res, err := measure.Tones(ctx, o.rig, j)
		clear()
		if err != nil {
			return err
		}
		warn(s, res.Info.Warnings...)
		warn(s, res.Survey.Faults()...)
		sum := present.MeasuredOf(res, o.out)
		return o.output.show(s, sum, func(w io.Writer) error { return sum.Print(w) })
	}
	res, err := pair.Run(ctx, j, pair.Options{Signal: o.signal, Reference: o.reference, Harmonics: o.harmonics, NearHz: o.near})
	clear()
	if err != nil {
		return err
	}
	warn(s, res.Info.Warnings...)
	warn(s, res.Faults...)
	return o.output.show(s, res, func(w io.Writer) error { return present.Pair(w, res, o.signal, o.reference) })
}
