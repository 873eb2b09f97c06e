// Package cli holds the commands of tonepose, one file a command.
//
// Results and --json summaries go to stdout, all else to stderr. Exit codes:
// 0 done, 1 the data or the numerics failed and no row came out, or a step after
// the result, 2 the call or a file was wrong, 128 and its number a signal.
package cli

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
	"syscall"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"tonepose/cmd/tonepose/internal/batch"
	"tonepose/cmd/tonepose/internal/files"
	"tonepose/cmd/tonepose/internal/measure"
	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/cmd/tonepose/internal/solve"
	"tonepose/multitone/clock"
	"tonepose/multitone/recording"
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
	check, done := root.PersistentPreRunE, func() {}
	root.PersistentPreRunE = func(cmd *cobra.Command, args []string) error {
		done = files.Reading(inputs(cmd, args)...)
		return check(cmd, args)
	}
	before := files.Shown()
	err := root.ExecuteContext(ctx)
	done()
	hold(ctx)
	if files.Unprinted(err) && files.Shown() > before {
		err = measure.StepFailed("print", err)
	}
	if err == nil {
		return 0
	}
	return exitCode(ctx, s.Err, err)
}

func newRoot(s Streams) *cobra.Command {
	root := &cobra.Command{
		Use:           "tonepose",
		Short:         "From raw samples of pickup coils to positions and orientations",
		Version:       strings.TrimPrefix(version(), "tonepose "),
		SilenceUsage:  true,
		SilenceErrors: true,
		// Before any command: the flags that it can't do without, and those that need others.
		PersistentPreRunE: func(cmd *cobra.Command, _ []string) (err error) {
			cmd.Flags().VisitAll(func(f *pflag.Flag) {
				if why := f.Annotations[needed]; why != nil && f.Value.String() == "" {
					err = cmp.Or(err, fmt.Errorf("--%s is missing: %s", f.Name, why[0]))
				}
			})
			return cmp.Or(err, checkAlone(cmd.Flags()))
		},
	}
	root.SetFlagErrorFunc(func(_ *cobra.Command, err error) error {
		var bad *pflag.InvalidValueError
		if errors.As(err, &bad) {
			return fmt.Errorf("--%s %s: %w", bad.GetFlag().Name, bad.GetValue(), inWords(bad.GetFlag(), bad.Unwrap()))
		}
		return err
	})
	for _, command := range []func(Streams) *cobra.Command{newDemo, newRig, newPlan, newInspect, newMeasure, newSolve, newBatch, newLive, newCalibrate, newAssess, newReport, newWorkbench, newExport, newSimulate} {
		root.AddCommand(command(s))
	}
	complete(root)
	root.SetVersionTemplate("tonepose {{.Version}}\n")
	root.SetHelpCommand(newHelp(s))
	root.Long = root.Short + `.

Exit code: as the help of each command says; 1, too, where files were written and standard
output could not be; 130, 143 or 129 after an interrupt, SIGTERM or SIGHUP, which end a
command at once: what is unfinished is taken away, and what is complete is named. live and
workbench end in good order by the first (0).

` + topicList()
	return root
}

// inWords is what a flag asks for, where its library's parser says what it met.
func inWords(f *pflag.Flag, err error) error {
	if !errors.Is(err, strconv.ErrSyntax) && !errors.Is(err, strconv.ErrRange) {
		return err
	}
	switch f.Value.Type() {
	case "bool":
		return errors.New("must be true or false: the flag alone is true")
	case "uint64":
		return errors.New("must be a whole number from 0 on")
	case "intSlice":
		return errors.New("must be whole numbers, separated by commas, as 1,3,5")
	}
	return errors.New("must be a whole number")
}

// one refuses anything but the one argument that a command takes.
func one(cmd *cobra.Command, args []string) error {
	if len(args) != 1 {
		return fmt.Errorf("%d names given, one is needed: %s", len(args), cmd.UseLine())
	}
	return nil
}

// none refuses any argument.
func none(cmd *cobra.Command, args []string) error {
	if len(args) > 0 {
		return fmt.Errorf("%s: %s takes no name", args[0], cmd.CommandPath())
	}
	return nil
}

// needed annotates a flag without which its command can't run.
const needed = "needed"

// require says of a flag that it is needed, and why or for what.
func require(f *pflag.FlagSet, name, why string) {
	flag := f.Lookup(name)
	if flag.Annotations == nil {
		flag.Annotations = map[string][]string{}
	}
	flag.Annotations[needed] = []string{why}
}

// addNeeded adds the flag of a text that is needed.
func addNeeded(f *pflag.FlagSet, to *string, name, help, why string) {
	f.StringVar(to, name, "", help)
	require(f, name, why)
}

// exitCode writes an error with its hint and returns the exit code.
func exitCode(ctx context.Context, w io.Writer, err error) int {
	switch {
	case errors.Is(err, syscall.EPIPE): // nobody reads any more
		return 128 + int(syscall.SIGPIPE)
	case errors.Is(err, context.Canceled):
		say(w, "interrupted, nothing written")
		return interruptedCode(ctx)
	}
	var several rig.Errors
	if errors.As(err, &several) {
		for _, e := range several {
			say(w, "error: %v", e)
			if e.Hint != "" {
				say(w, "hint: %s", e.Hint)
			}
		}
		return 2
	}
	words := files.Words(err)
	if kept := measure.ErrStep; errors.Is(err, kept) && !strings.Contains(words, kept.Error()) {
		words += fmt.Sprintf(" (%v)", kept)
	}
	say(w, "error: %s", words)
	var h *hinted
	switch {
	case errors.As(err, &h):
		say(w, "hint: %s", h.hint)
	case errors.Is(err, syscall.EMFILE), errors.Is(err, syscall.ENFILE):
		say(w, "hint: let a process have more files open, as ulimit -n 1024 does")
	}
	if errors.Is(err, measure.ErrNoRow) || errors.Is(err, measure.ErrStep) || errors.Is(err, recording.ErrChanged) || errors.Is(err, clock.ErrNoStart) || errors.Is(err, solve.ErrUnjoined) || errors.Is(err, solve.ErrNoPose) || errors.Is(err, batch.ErrFailed) || errors.Is(err, batch.ErrFull) || errors.Is(err, batch.ErrMixed) || errors.Is(err, batch.ErrMissing) || errors.Is(err, batch.ErrStale) {
		return 1
	}
	return 2
}

// hinted is an error with a hint how to correct it.
type hinted struct {
	err  error
	hint string
}

func (h *hinted) Error() string { return h.err.Error() }
func (h *hinted) Unwrap() error { return h.err }

func withHint(err error, format string, args ...any) error {
	return &hinted{err, fmt.Sprintf(format, args...)}
}
