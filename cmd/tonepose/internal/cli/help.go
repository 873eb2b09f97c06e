package cli

import (
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"tonepose/cmd/tonepose/internal/handbook"
	"tonepose/cmd/tonepose/internal/terminal"
)

// mostColumns is where lines of the handbook end on the widest terminal: longer
// ones are hard to read.
const mostColumns = 100

func newHelp(s Streams) *cobra.Command {
	var man string
	c := &cobra.Command{
		Use:   "help [COMMAND | TOPIC]",
		Short: "Commands, and the chapters of the handbook",
		Long: `Help without a name lists the commands and the chapters of the handbook; with
one it prints the help of that command, or that chapter. --man writes a manual
page for every command, to be read by man.

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
	}
	return names
}

func runHelp(root *cobra.Command, args []string, s Streams) error {
	if len(args) == 0 {
		root.InitDefaultHelpFlag()
		root.InitDefaultVersionFlag()
		return root.Help()
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
