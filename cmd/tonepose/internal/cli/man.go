package cli

import (
	"cmp"
	"fmt"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"tonepose/cmd/tonepose/internal/files"
)

// writeManual writes a manual page for a command and each one below it, as
// tonepose-calibrate-channels.1. All appear, or none.
func writeManual(root *cobra.Command, dir string) error {
	out, err := files.Into(dir, true)
	if err != nil {
		return err
	}
	defer out.Abort()
	var write func(c *cobra.Command) error
	write = func(c *cobra.Command) error {
		if err := out.Write(manName(c)+".1", []byte(manPage(c))); err != nil {
			return err
		}
		for _, sub := range c.Commands() {
			if (sub.IsAvailableCommand() || sub.Name() == "help") && c.Name() != "completion" {
				if err := write(sub); err != nil {
					return err
				}
			}
		}
		return nil
	}
	if err := write(root); err != nil {
		return err
	}
	return out.Commit()
}

func manName(c *cobra.Command) string { return strings.ReplaceAll(c.CommandPath(), " ", "-") }

// roff escapes what troff would take as its own: the backslash, the minus sign that
// would become a hyphen, and a point or an apostrophe at a line's start.
func roff(text string) string {
	text = strings.NewReplacer(`\`, `\e`, "-", `\-`).Replace(text)
	lines := strings.Split(text, "\n")
	for i, line := range lines {
		if strings.HasPrefix(line, ".") || strings.HasPrefix(line, "'") {
			lines[i] = `\&` + line
		}
	}
	return strings.Join(lines, "\n")
}

// manPage is a command's page in the macros of man(7).
func manPage(c *cobra.Command) string {
	var out strings.Builder
	line := func(format string, values ...any) { fmt.Fprintf(&out, format+"\n", values...) }
	verbatim := func(text string) {
		line(".nf")
		line("%s", roff(strings.TrimRight(text, "\n")))
		line(".fi")
	}
	name := manName(c)
	line(`.TH "%s" 1 "" "%s" "tonepose"`, roff(strings.ToUpper(name)), roff(version()))
	line(".SH NAME\n%s \\- %s", roff(name), roff(c.Short))
	line(".SH SYNOPSIS")
	verbatim(c.UseLine())
	line(".SH DESCRIPTION")
	// Texts are wrapped as they should be read, and lists in them are aligned.
	verbatim(cmp.Or(c.Long, c.Short))
	if c.Flags().HasAvailableFlags() {
		line(".SH OPTIONS")
		c.Flags().VisitAll(func(f *pflag.Flag) { line("%s", manFlag(f)) })
	}
	if c.Example != "" {
		line(".SH EXAMPLES")
		verbatim(c.Example)
	}
	var also []string
	if c.HasParent() {
		also = append(also, manName(c.Parent())+"(1)")
	}
	for _, sub := range c.Commands() {
		if sub.IsAvailableCommand() && c.Name() != "completion" {
			also = append(also, manName(sub)+"(1)")
		}
	}
	if len(also) > 0 {
		line(".SH SEE ALSO\n%s", roff(strings.Join(also, ", ")))
	}
	return out.String()
}

func manFlag(f *pflag.Flag) string {
	kind, usage := pflag.UnquoteUsage(f)
	head := "--" + f.Name
	if f.Shorthand != "" {
		head = "-" + f.Shorthand + ", " + head
	}
	if kind != "" {
		head += " " + kind
	}
	if initial := f.DefValue; initial != "" && initial != "false" && initial != "0" && initial != "[]" {
		usage += fmt.Sprintf(" (default %s)", initial)
	}
	return fmt.Sprintf(".TP\n.B %s\n%s", roff(head), roff(usage))
}
