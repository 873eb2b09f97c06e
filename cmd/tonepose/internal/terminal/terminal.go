// Package terminal prints for people: a progress line, and aligned tables with
// units. What is not a terminal gets plain text, and no progress at all.
package terminal

import (
	"io"
	"os"

	"golang.org/x/term"
)

// isTerminal reports whether w is a terminal that can move its cursor.
func isTerminal(w io.Writer) bool {
	f, ok := w.(*os.File)
	return ok && term.IsTerminal(int(f.Fd())) && os.Getenv("TERM") != "dumb"
}

// Width is the number of columns of a terminal, 80 if it does not say or is none.
func Width(w io.Writer) int {
	if f, ok := w.(*os.File); ok {
		if columns, _, err := term.GetSize(int(f.Fd())); err == nil && columns > 0 {
			return columns
		}
	}
	return 80
}

// Paint marks text on a terminal; elsewhere, and under NO_COLOR, it leaves it
// as it is. The zero value paints nothing.
type Paint struct{ on bool }

// PaintFor returns the Paint that suits w. A NO_COLOR that is set and not empty
// switches it off, as no-color.org asks.
func PaintFor(w io.Writer) Paint { return paintFor(isTerminal(w)) }

func paintFor(terminal bool) Paint { return Paint{terminal && os.Getenv("NO_COLOR") == ""} }

// Bold is for headings.
func (p Paint) Bold(s string) string { return p.mark("1", s) }

// Faint is for what can be skipped.
func (p Paint) Faint(s string) string { return p.mark("2", s) }

// mark uses ECMA-48 SGR codes.
func (p Paint) mark(code, s string) string {
	if !p.on || s == "" {
		return s
	}
	return "\x1b[" + code + "m" + s + "\x1b[0m"
}
