package cli

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"tonepose/cmd/tonepose/internal/files"
	"tonepose/cmd/tonepose/internal/live"
	"tonepose/cmd/tonepose/internal/solve"
	"tonepose/cmd/tonepose/internal/subject"
	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/cmd/tonepose/internal/workbench"
)

type workbenchOptions struct {
	workbench.Options
	live      live.Options // of a stream, and of a recording that is solved first
	averaging averagingFlags
	output    outputFlags
}

func newWorkbench(s Streams) *cobra.Command {
	var o workbenchOptions
	c := &cobra.Command{
		Use:   "workbench [DIR | RECORDING --rig RIG | SOURCE --rig RIG]",
		Short: "A page in the browser: a run, a stream, or a bench to be turned",
		Long: `Workbench serves a page in five rooms, to this machine alone, and prints its address:
are the samples sound, does every tone stand clear of the noise, do the couplings fit
the field model, where is the sensor and how sure, may I believe it. Above them is a
strip of time with all flags; a link reopens the same view. Another window or low-pass
can be tried on a stretch, and emitters and coils left out.

DIR is the folder that solve or live wrote. Its recording is sought beside it, or
named with --recording; with --truth the errors are shown. A RECORDING is solved first,
in windows of 10 ms unless --window or --lowpass say otherwise. SOURCE is one that live
follows (help live), as play:PATH or tcp://HOST:PORT.

Without a name a bench is simulated in real time, to be turned: noise, mains, clock,
currents, window, metal, and the sensor itself. Experiments say what to watch and why.

The page needs no network. An interrupt (or SIGTERM, or SIGHUP) ends it.

Exit code: 0 ended by an interrupt, 1 no pose came out of the recording, 2 the call or a
file was wrong.`,
		Example: `  tonepose workbench
  tonepose workbench out/sweep --truth sweep.truth.csv --open
  tonepose workbench moving.sigmf-meta --rig bench.rig.yaml --window 20ms
  tonepose workbench play:moving.sigmf-meta --rig bench.rig.yaml --window 10ms`,
		Args: func(cmd *cobra.Command, args []string) error {
			if len(args) > 1 {
				return fmt.Errorf("%d names given, one is enough: %s", len(args), cmd.UseLine())
			}
			return nil
		},
		RunE: func(cmd *cobra.Command, args []string) error {
			name := ""
			if len(args) > 0 {
				name = args[0]
			}
			return runWorkbench(cmd, name, &o, s)
		},
	}
	f := c.Flags()
	f.StringVar(&o.Run.Recording, "recording", "", "the samples of the run (default: sought beside it)")
	f.StringVar(&o.Run.Truth, "truth", "", "CSV of known poses, or the folder of another run")
	f.StringVar(&o.live.Rig, "rig", "", "rig file of the bench, of a recording or a stream")
	reads(f, "recording", "truth", "rig")
	o.averaging.add(f, &o.live.Job)
	addClock(f, &o.live.Input)
	addFullScale(f, &o.live.Input)
	addReading(f, &o.live.Input, s)
	addSource(f, &o.live)
	f.StringVar(&o.Address, "address", "127.0.0.1:0", "host and port to serve at; port 0: any that is free")
	f.Lookup("allow-remote").Usage = "let other machines reach the page, with the token in the address that is printed, and a port that is listened on for samples"
	f.BoolVar(&o.Open, "open", false, "show the page in a browser")
	f.BoolVar(&o.output.quiet, "quiet", false, "print the address and nothing else")
	return c
}

func runWorkbench(cmd *cobra.Command, name string, o *workbenchOptions, s Streams) error {
	ctx := cmd.Context()
	finishFirst(ctx, finish{within: 150 * time.Millisecond, quiet: true})
	if err := o.averaging.finish(&o.live.Job); err != nil {
		return err
	}
	w := &o.live.Windows
	if w.Length == 0 && w.LowPass == nil {
		w.Length, w.Hop = 10e-3, 10e-3
	}
	o.Tool, o.AllowRemote, o.Run.Reading = version(), o.live.Source.AllowRemote, o.live.Reading
	o.Command = func(m tables.Metadata) string { return commandLine(cmd.Root(), m) }
	o.Ready = func(address string) {
		fmt.Fprintln(s.Out, address)
		o.output.note(s, "serving the page; an interrupt ends it")
	}
	o.Warn = func(text string) { say(s.Err, "%s", text) }
	info, err := os.Stat(name)
	switch {
	case name == "":
	case err == nil && info.IsDir():
		o.Run.Dir = name
	case name == "-" || name == "instrument" || strings.Contains(name, ":"):
		o.Follow = subject.StreamOptions{Name: name, Rig: o.live.Rig, Source: o.live.Source, Windows: *w, Clock: o.live.Clock, Verdict: o.live.Verdict}
		o.Follow.Source.Reading = o.live.Reading
	case err != nil:
		return fmt.Errorf("%w: name a folder of solved tables, a recording, a live source, or nothing for the virtual bench", err)
	case o.live.Rig == "":
		return fmt.Errorf("--rig is missing: a recording is solved on the bench of a rig file; a folder of solved tables needs none")
	default:
		parent, remove, err := files.Temporary("tonepose-workbench")
		if err != nil {
			return err
		}
		defer remove()
		if err := o.solve(ctx, cmd, name, parent, s); err != nil {
			return err
		}
	}
	return workbench.Serve(ctx, o.Options)
}

// solve solves a recording into a folder of its own in parent.
func (o *workbenchOptions) solve(ctx context.Context, cmd *cobra.Command, name, parent string, s Streams) error {
	stem := strings.TrimSuffix(filepath.Base(name), filepath.Ext(name))
	job := solve.Options{Job: o.live.Job}
	job.Recording, job.Out, job.Tool = name, filepath.Join(parent, stem), o.Tool
	// The options of solve, so that the tables say how they are made anew.
	job.Options = map[string]string{"trajectory": "none"}
	known := cmd.Root().Commands()
	for _, c := range known {
		if c.Name() != "solve" {
			continue
		}
		for _, flag := range []string{"rig", "window", "hop", "taper", "lowpass", "bandwidth", "time-constant", "enbw", "stop-from", "stop-depth", "output-rate", "clock", "format", "rate", "channels", "full-scale"} {
			if c.Flags().Lookup(flag) != nil {
				job.Options[flag] = cmd.Flags().Lookup(flag).Value.String()
			}
		}
	}
	if job.Windows.Length > 0 && job.Options["window"] == "" {
		job.Options["window"] = "10ms"
	}
	o.Run.Recording, o.Run.Dir = name, job.Out
	_, err := run(s, &o.output, &job.Progress, func() (*solve.Result, error) { return solve.Run(ctx, job) })
	return err
}
