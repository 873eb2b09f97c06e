package cli

import (
	"context"
	"errors"
	"io"
	"path/filepath"

	"github.com/spf13/cobra"

	"tonepose/cmd/tonepose/internal/files"
	"tonepose/cmd/tonepose/internal/inspect"
	"tonepose/cmd/tonepose/internal/measure"
	"tonepose/cmd/tonepose/internal/present"
	"tonepose/cmd/tonepose/internal/report"
	"tonepose/cmd/tonepose/internal/tables"
)

type inspectOptions struct {
	measure.Input
	stations string
	out      string
	force    bool
	figures  []string
	output   outputFlags
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

With --stations, a plan as plan --stations writes it, inspect finds where the sensors
rested, and numbers the rests as the plan does: by the poses that the rig gives them,
or, where the recorder plays the drives, by their order. --out then also receives
stations.csv, the plan with start_s and stop_s filled in, for solve, calibrate and assess.

--out receives the figures spectrum, one strip a channel, and with a rig stability,
the Allan deviation of the drives.

Exit code: 0 done, whatever was found; 1 figures or stations could not be written; 2
the call or a file was wrong.`,
		Example: `  tonepose inspect run.sigmf-meta --rig bench.rig.yaml --out look
  tonepose inspect run.sigmf-meta --rig bench.rig.yaml --stations board.csv --out look
  tonepose inspect noise.wav --json`,
		Args: one,
		RunE: func(cmd *cobra.Command, args []string) error {
			o.Recording = args[0]
			return runInspect(cmd.Context(), &o, s)
		},
	}
	f := cmd.Flags()
	f.StringVar(&o.Rig, "rig", "", "rig file of the bench")
	f.StringVar(&o.stations, "stations", "", "CSV of the stations that were visited: propose when the sensors rested at each")
	reads(f, "rig", "stations")
	f.StringVar(&o.out, "out", "", "directory for the figures")
	f.BoolVar(&o.force, "force", false, "write into a directory that is not empty")
	addFigures(f, &o.figures, "png,svg", "the figures in --out")
	o.output.add(f)
	addReading(f, &o.Input, s)
	addFullScale(f, &o.Input)
	return cmd
}

func runInspect(ctx context.Context, o *inspectOptions, s Streams) error {
	if o.stations != "" && o.Rig == "" {
		return errors.New("--stations needs --rig: couplings tell where the sensors rested")
	}
	figures, err := files.Into(o.out, o.force)
	if err == nil && figures != nil && o.stations != "" {
		err = files.Refuse(filepath.Join(o.out, stationsName), o.force)
	}
	if err != nil {
		return err
	}
	defer figures.Abort()
	in, err := run(s, &o.output, &o.Progress, func() (*inspect.Inspection, error) { return inspect.Run(ctx, o.Input, o.stations) })
	if err != nil {
		return err
	}
	warn(s, in.Warnings...)
	failed := o.leave(in, figures, s)
	return errors.Join(o.output.show(s, in, func(w io.Writer) error { return present.Inspection(w, in) }), failed)
}

// leave writes what was found and drawn.
func (o *inspectOptions) leave(in *inspect.Inspection, out *files.Batch, s Streams) error {
	var proposed, drawn error
	if in.Rests != nil {
		proposed = measure.StepFailed("stations", o.proposed(in.Rests, out, s))
	}
	if out == nil {
		return proposed
	}
	drawn = measure.StepFailed("figures", out.Together(func() error {
		return draw(s, &o.output, func() error { return report.SaveInspection(out, in, o.figures) })
	}))
	return errors.Join(proposed, drawn, measure.StepFailed("files in --out", out.Commit()))
}

// stationsName is the file of a plan of stations with the times of the rests that were found.
const stationsName = "stations.csv"

// proposed writes the plan with the times of the rests that were found.
func (o *inspectOptions) proposed(rests *inspect.Rests, out *files.Batch, s Streams) error {
	if out == nil {
		o.output.note(s, "--out DIR writes the plan with these times as %s", stationsName)
		return nil
	}
	times := map[int][2]float64{}
	for _, r := range rests.Found {
		times[r.Line] = [2]float64{r.StartS, r.StopS}
	}
	text, err := tables.WithTimes(o.stations, times)
	if err != nil {
		return err
	}
	o.output.note(s, "%d stations in %s: next, tonepose solve %s --rig %s --intervals %[2]s --out solved", len(rests.Found), filepath.Join(o.out, stationsName), o.Recording, o.Rig)
	return out.Write(stationsName, text)
}
