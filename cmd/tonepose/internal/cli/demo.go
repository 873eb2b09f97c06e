package cli

import (
	"context"
	"time"

	"github.com/spf13/cobra"

	"tonepose/cmd/tonepose/internal/demo"
	"tonepose/cmd/tonepose/internal/present"
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
	output := outputFlags{quiet: o.quiet}
	show, clear := output.progress(s)
	defer clear()
	all, err := demo.Run(ctx, demo.Options{Dir: o.dir, Seed: o.seed, Tool: version(), Progress: show})
	clear()
	if err != nil {
		return err
	}
	return present.Demo(s.Out, all, o.dir, time.Since(begin).Seconds())
}
