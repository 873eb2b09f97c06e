package cli

import (
	"fmt"
	"io"

	"github.com/spf13/pflag"

	"tonepose/cmd/tonepose/internal/present"
)

// outputFlags say what a command prints: its result as text, as JSON, or nothing.
type outputFlags struct{ json, quiet bool }

func (o *outputFlags) add(flags *pflag.FlagSet) {
	flags.BoolVar(&o.json, "json", false, "print the result as JSON")
	flags.BoolVar(&o.quiet, "quiet", false, "no progress, no notes, no text: files, JSON, warnings and errors alone")
}

// silent tells that no progress is wanted.
func (o *outputFlags) silent() bool { return o.json || o.quiet }

// note tells on stderr what was done.
func (o *outputFlags) note(s Streams, format string, values ...any) {
	if !o.quiet {
		fmt.Fprintf(s.Err, "tonepose: "+format+"\n", values...)
	}
}

// show prints a result to stdout.
func (o *outputFlags) show(s Streams, result any, text func(io.Writer) error) error {
	switch {
	case o.json:
		return present.JSON(s.Out, result)
	case o.quiet:
		return nil
	}
	return text(s.Out)
}
