package cli

import (
	"cmp"
	"fmt"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"tonepose/cmd/tonepose/internal/files"
	"tonepose/cmd/tonepose/internal/handbook"
	"tonepose/cmd/tonepose/internal/notices"
	"tonepose/cmd/tonepose/internal/terminal"
)

// noticesTopic is what help is asked for to print the licences of others.
const noticesTopic = "notices"

// mostColumns is where lines of the handbook end on the widest terminal: longer
// ones are hard to read.
const mostColumns = 100

func newHelp(s Streams) *cobra.Command {
	var man string
	c := &cobra.Command{
		Use:   "help [COMMAND | TOPIC]",
		Short: "Commands, and the chapters of the handbook",
		Long: `Help without a name lists the commands and the chapters of the handbook; with
one it prints the help of that command, or that chapter; help notices prints the
licences of the software that is linked in. --man writes a manual page for every
command, to be read by man.

Exit code: 0 done, 2 there is no such command or chapter.`,
		Example: `  tonepose help rig
  tonepose help calibrate channels
  tonepose help --man /usr/local/share/man/man1`,
		ValidArgsFunction: func(c *cobra.Command, args []string, _ string) ([]string, cobra.ShellCompDirective) {
			return helpNames(c.Root(), args), cobra.ShellCompDirectiveNoFileComp
		},
		RunE: func(c *cobra.Command, args []string) error {
			switch {
			case man != "" && len(args) > 0:
				return fmt.Errorf("--man writes the pages of all commands: it takes no %s", args[0])
			case man != "":
				return writeManual(c.Root(), man)
			}
			return runHelp(c.Root(), args, s)
		},
	}
	c.Flags().StringVar(&man, "man", "", "directory for manual pages, one a command; pages that are there are replaced")
	return c
}

// helpNames lists what help knows behind the names given already.
func helpNames(root *cobra.Command, args []string) (names []string) {
	at, rest, err := root.Find(args)
	if err != nil || len(rest) > 0 {
		return nil
	}
	for _, c := range at.Commands() {
		if c.IsAvailableCommand() {
			names = append(names, c.Name()+"\t"+c.Short)
		}
	}
	if len(args) == 0 {
		for _, t := range handbook.Topics() {
			names = append(names, t.Name+"\t"+t.Title)
		}
		names = append(names, noticesTopic+"\tLicences of the software that is linked in")
	}
	return names
}

func runHelp(root *cobra.Command, args []string, s Streams) error {
	if len(args) == 0 {
		root.InitDefaultHelpFlag()
		root.InitDefaultVersionFlag()
		return root.Help()
	}
	if len(args) == 1 && args[0] == noticesTopic {
		_, err := fmt.Fprint(s.Out, notices.Text)
		return err
	}
	if len(args) == 1 {
		if _, err := handbook.Text(args[0]); err == nil {
			return handbook.Render(s.Out, args[0], min(terminal.Width(s.Out), mostColumns), terminal.PaintFor(s.Out))
		}
	}
	c, rest, err := root.Find(args)
	if err != nil || len(rest) > 0 {
		return withHint(fmt.Errorf("help %s: there is no such command or topic", strings.Join(args, " ")), "tonepose help lists them")
	}
	c.InitDefaultHelpFlag()
	return c.Help()
}

// topicList lists the chapters of the handbook below the names of their parts.
func topicList() string {
	var out strings.Builder
	fmt.Fprint(&out, "Handbook, by tonepose help TOPIC:")
	part := ""
	for _, t := range handbook.Topics() {
		if t.Part != part {
			part = t.Part
			fmt.Fprintf(&out, "\n  %s\n", part)
		}
		fmt.Fprintf(&out, "    %-13s %s\n", t.Name, t.Title)
	}
	return out.String()
}

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
