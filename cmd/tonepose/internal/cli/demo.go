package cli

import (
	"context"
	"fmt"
	"math"
	"time"

	"github.com/spf13/cobra"

	"tonepose/cmd/tonepose/internal/demo"
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

func runDemo(ctx context.Context, o *demoOptions, s Streams) error {
	begin := time.Now()
	const deg = 180 / math.Pi
	fmt.Fprintf(s.Out, "Invented data: eight coils under a plastic pipe, a probe with three pickup coils.\n\n")
	fmt.Fprintf(s.Out, "%-10s %6s %22s %22s %14s %10s\n", "run", "poses", "position RMS [mm]", "orientation RMS [°]", "error² over", "inside 95 %")
	fmt.Fprintf(s.Out, "%-10s %6s %11s %10s %11s %10s %14s %10s\n", "", "", "error", "predicted", "error", "predicted", "predicted", "region")
	output := outputFlags{quiet: o.quiet}
	for _, scene := range demo.Scenes {
		show, clear := output.progress(s)
		r, err := scene.Run(ctx, demo.Options{Dir: o.dir, Seed: o.seed, Tool: version(), Progress: show})
		clear()
		if err != nil {
			return err
		}
		fmt.Fprintf(s.Out, "%-10s %6d %11.4f %10.4f %11.4f %10.4f %14.2f %8.1f %%\n", scene.Path, r.N, r.PositionRMS*1e3, r.PredictedPosition*1e3,
			r.OrientationRMS*deg, r.PredictedRotation*deg, r.NormalisedMedian, 100*r.Coverage95)
	}
	fmt.Fprintf(s.Out, "\nstations: %s; sweep: %s\n", demo.Scenes[0].Words, demo.Scenes[1].Words)
	fmt.Fprintf(s.Out, "%s holds the recordings, tables and figures (path, accuracy, spectrum, coupling); %.1f s\n", o.dir, time.Since(begin).Seconds())
	return nil
}
