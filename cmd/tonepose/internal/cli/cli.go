// Package cli holds the commands of tonepose, one file a command.
//
// Results and --json summaries go to stdout, all else to stderr. Exit codes:
// 0 done, 1 the data or the numerics failed and no row came out, 2 the call or
// a file was wrong.
package cli

import (
	"context"
	"errors"
	"fmt"
	"io"

	"github.com/spf13/cobra"
)

// Streams are the three standard streams of a run.
type Streams struct {
	In       io.Reader
	Out, Err io.Writer
}

// errNoRow marks a run whose data or numerics failed: exit code 1.
var errNoRow = errors.New("no row came out")

// Run executes one command line and returns its exit code.
func Run(ctx context.Context, args []string, s Streams) int {
	root := newRoot(s)
	root.SetArgs(args)
	root.SetIn(s.In)
	root.SetOut(s.Out)
	root.SetErr(s.Err)
	err := root.ExecuteContext(ctx)
	switch {
	case err == nil:
		return 0
	case errors.Is(err, errNoRow):
		fmt.Fprintf(s.Err, "tonepose: error: %v\n", err)
		return 1
	default:
		fmt.Fprintf(s.Err, "tonepose: error: %v\n", err)
		return 2
	}
}

func newRoot(s Streams) *cobra.Command {
	root := &cobra.Command{
		Use:           "tonepose",
		Short:         "From raw samples of pickup coils to positions and orientations",
		SilenceUsage:  true,
		SilenceErrors: true,
	}
	root.AddCommand(newDemo(s))
	return root
}
