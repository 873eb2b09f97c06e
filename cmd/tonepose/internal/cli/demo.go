package cli

import (
	"time"

	"github.com/spf13/cobra"

	"tonepose/cmd/tonepose/internal/demo"
	"tonepose/cmd/tonepose/internal/present"
)

func newDemo(s Streams) *cobra.Command {
	var o demo.Options
	var output outputFlags
	cmd := &cobra.Command{
		Use:   "demo",
		Short: "Simulate an invented bench, solve it, assess it, draw it",
		Long: `Demo runs the main job on invented data: a bench of eight coils inspects a
plastic pipe with a small probe. It simulates what the ADC would record, solves
the probe's poses from the samples alone, compares them with the truth, and
leaves recordings, tables and figures in --dir.

Exit code: 0 done, 1 no pose came out, or a step failed (what came before it is kept),
2 the call was wrong.`,
		Args: none,
		RunE: func(cmd *cobra.Command, args []string) error {
			begin := time.Now()
			o.Tool = version()
			all, err := run(s, &output, &o.Progress, func() ([]demo.Result, error) { return demo.Run(cmd.Context(), o) })
			if err != nil {
				return err
			}
			return present.Demo(s.Out, all, o.Dir, time.Since(begin).Seconds())
		},
	}
	f := cmd.Flags()
	f.StringVar(&o.Dir, "dir", "tonepose-demo", "directory for recordings, tables and figures; what an earlier demo left there is replaced")
	addFigures(f, &o.Figures, "png", "the figures")
	f.Uint64Var(&o.Seed, "seed", 1, "seed of the invented noise")
	f.BoolVar(&output.quiet, "quiet", false, "no progress")
	return cmd
}
