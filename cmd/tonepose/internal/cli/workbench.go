package cli

import (
	"fmt"
	"os"
	"os/signal"
	"syscall"

	"github.com/spf13/cobra"

	"tonepose/cmd/tonepose/internal/measure"
	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/cmd/tonepose/internal/workbench"
)

type workbenchOptions struct {
	workbench.Options
	input  measure.Input
	output outputFlags
}

func newWorkbench(s Streams) *cobra.Command {
	var o workbenchOptions
	c := &cobra.Command{
		Use:   "workbench [DIR]",
		Short: "A page in the browser: look at a run, doubt it, try another window",
		Long: `Workbench serves a page in five rooms, on this machine alone, and prints its address:
are the samples sound, does every tone stand clear of the noise, do the couplings fit
the field model, where is the sensor and how sure, may I believe it. Above them a strip
of time with all flags; a link reopens the same view.

DIR is the folder that solve or live wrote. Its recording is sought beside it, or
named with --recording; with --truth the errors are shown.

The page needs no network. An interrupt (or SIGTERM) ends it.

Exit code: 0 ended by an interrupt, 2 the call or a file was wrong.`,
		Example: `  tonepose workbench out/sweep --truth sweep.truth.csv
  tonepose workbench out/sweep --open`,
		Args: func(cmd *cobra.Command, args []string) error {
			if len(args) > 1 {
				return fmt.Errorf("%d names given, one is enough: %s", len(args), cmd.UseLine())
			}
			return nil
		},
		RunE: func(cmd *cobra.Command, args []string) error {
			if len(args) > 0 {
				o.Run.Dir = args[0]
			}
			return runWorkbench(cmd, &o, s)
		},
	}
	f := c.Flags()
	f.StringVar(&o.Run.Recording, "recording", "", "the samples of the run (default: sought beside it)")
	f.StringVar(&o.Run.Truth, "truth", "", "CSV of known poses, or the folder of another run")
	addFullScale(f, &o.input)
	addReading(f, &o.input, s)
	f.StringVar(&o.Address, "address", "127.0.0.1:0", "host and port to serve at; port 0: any that is free")
	f.BoolVar(&o.AllowRemote, "allow-remote", false, "let other machines reach it, with the token in the address that is printed")
	f.BoolVar(&o.Open, "open", false, "show the page in a browser")
	f.BoolVar(&o.output.quiet, "quiet", false, "print the address and nothing else")
	return c
}

func runWorkbench(cmd *cobra.Command, o *workbenchOptions, s Streams) error {
	ctx, stop := signal.NotifyContext(cmd.Context(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	o.Tool, o.Run.Reading = version(), o.input.Reading
	o.Command = func(m tables.Metadata) string { return commandLine(cmd.Root(), m) }
	o.Ready = func(address string) {
		fmt.Fprintln(s.Out, address)
		o.output.note(s, "serving %s; an interrupt ends it", address)
	}
	return workbench.Serve(ctx, o.Options)
}
