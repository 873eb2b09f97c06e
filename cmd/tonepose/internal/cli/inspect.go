package cli

import (
	"context"
	"io"

	"github.com/spf13/cobra"

	"tonepose/cmd/tonepose/internal/files"
	"tonepose/cmd/tonepose/internal/inspect"
	"tonepose/cmd/tonepose/internal/measure"
	"tonepose/cmd/tonepose/internal/present"
	"tonepose/cmd/tonepose/internal/report"
)

type inspectOptions struct {
	measure.Input
	out     string
	force   bool
	figures []string
	output  outputFlags
}

func newInspect(s Streams) *cobra.Command {
	var o inspectOptions
	cmd := &cobra.Command{
		Use:   "inspect RECORDING [--rig RIG]",
		Short: "What a recording is, and what is wrong with it",
		Long: `Inspect reads a recording once or twice and describes it: range, offset,
noise and faults of every channel, the mains, and the strongest lines. With the
rig it adds the level and the noise of every tone on every channel, which lines
are harmonics, intermodulation products or aliases of the tones, and what shifts
the phases of the couplings.

--out receives the figures spectrum, one strip a channel, and with a rig stability,
the Allan deviation of the drives.

Exit code: 0 done, whatever was found; 2 the call or a file was wrong.`,
		Example: `  tonepose inspect run.sigmf-meta --rig bench.rig.yaml --out look
  tonepose inspect noise.wav --json`,
		Args: one,
		RunE: func(cmd *cobra.Command, args []string) error {
			o.Recording = args[0]
			return runInspect(cmd.Context(), &o, s)
		},
	}
	f := cmd.Flags()
	f.StringVar(&o.Rig, "rig", "", "rig file of the bench")
	f.StringVar(&o.out, "out", "", "directory for the figures")
	f.BoolVar(&o.force, "force", false, "write into a directory that is not empty")
	addFigures(f, &o.figures, "png,svg", "the figures in --out")
	o.output.add(f)
	addReading(f, &o.Input, s)
	addFullScale(f, &o.Input)
	return cmd
}

func runInspect(ctx context.Context, o *inspectOptions, s Streams) error {
	figures, err := files.Into(o.out, o.force)
	if err != nil {
		return err
	}
	defer figures.Abort()
	in, err := run(s, &o.output, &o.Progress, func() (*inspect.Inspection, error) { return inspect.Run(ctx, o.Input) })
	if err != nil {
		return err
	}
	warn(s, in.Warnings...)
	if o.out != "" {
		if err := report.SaveInspection(figures, in, o.figures); err != nil {
			return err
		}
	}
	return o.output.show(s, in, func(w io.Writer) error { return present.Inspection(w, in) })
}
