// Package cli holds the commands of tonepose, one file a command.
//
// Results and --json summaries go to stdout, all else to stderr. Exit codes:
// 0 done, 1 the data or the numerics failed and no row came out, 2 the call or
// a file was wrong.
package cli

import (
	"context"
	"io"

	"github.com/spf13/cobra"
)

// Streams are the three standard streams of a run.
type Streams struct {
	In       io.Reader
	Out, Err io.Writer
}

// Run executes one command line and returns its exit code.
func Run(ctx context.Context, args []string, s Streams) int {
	root := newRoot(s)
	root.SetArgs(args)
	root.SetIn(s.In)
	root.SetOut(s.Out)
	root.SetErr(s.Err)
	err := root.ExecuteContext(ctx)
	if err == nil {
		return 0
	}
	return exitCode(s.Err, err)
}

func newRoot(s Streams) *cobra.Command {
	root := &cobra.Command{
		Use:           "tonepose",
		Short:         "From raw samples of pickup coils to positions and orientations",
		SilenceUsage:  true,
		SilenceErrors: true,
	}
	root.AddCommand(newDemo(s))
	root.AddCommand(newPlan(s))
	root.AddCommand(newInspect(s))
	root.AddCommand(newMeasure(s))
	root.AddCommand(newSolve(s))
	root.AddCommand(newCalibrate(s))
	root.AddCommand(newAssess(s))
	root.AddCommand(newExport(s))
	root.AddCommand(newSimulate(s))
	return root
}
