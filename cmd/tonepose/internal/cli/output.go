package cli

import (
	"fmt"
	"io"

	"github.com/spf13/pflag"

	"tonepose/cmd/tonepose/internal/present"
)

// outputFlags say what a command prints.
type outputFlags struct{ json, quiet bool }

func (f *outputFlags) add(flags *pflag.FlagSet) {
	flags.BoolVar(&f.json, "json", false, "print the result as JSON")
	flags.BoolVar(&f.quiet, "quiet", false, "no progress, no notes, no text: files, JSON, warnings and errors alone")
}

// note says on stderr what was done.
func (f *outputFlags) note(s Streams, format string, values ...any) {
	if !f.quiet {
		fmt.Fprintf(s.Err, "tonepose: "+format+"\n", values...)
	}
}

// show prints a result to stdout: as JSON, in words, or not at all.
func (f *outputFlags) show(s Streams, v any, words func(io.Writer) error) error {
	switch {
	case f.json:
		return present.JSON(s.Out, v)
	case f.quiet:
		return nil
	}
	return words(s.Out)
}

// warn prints on stderr what is doubtful about the data.
func warn[T any](s Streams, all ...T) {
	for _, w := range all {
		fmt.Fprintf(s.Err, "tonepose: warning: %v\n", w)
	}
}
