package terminal

import (
	"fmt"
	"io"
	"strings"
	"unicode"
	"unicode/utf8"
)

// Clean is a text that may hold names from files, as a terminal can show it: control
// characters, which move the cursor or set colours, and those that turn the direction of
// writing, stand as \x1b or \u202e, and so do bytes that are no UTF-8. Ends of lines and tabs stay.
func Clean(text string) string { return clean(text, "\n\t") }

// Line is Clean for what stands in one line: its ends of lines and tabs are shown, too.
func Line(text string) string { return clean(text, "") }

func clean(text, kept string) string {
	bad := func(r rune) bool { return unsafe(r) && !strings.ContainsRune(kept, r) }
	if utf8.ValidString(text) && strings.IndexFunc(text, bad) < 0 {
		return text
	}
	var out strings.Builder
	for i := 0; i < len(text); {
		r, n := utf8.DecodeRuneInString(text[i:])
		switch {
		case r == utf8.RuneError && n == 1, bad(r) && r < 0x80:
			fmt.Fprintf(&out, `\x%02x`, text[i])
		case bad(r):
			fmt.Fprintf(&out, `\u%04x`, r)
		default:
			out.WriteString(text[i : i+n])
		}
		i += n
	}
	return out.String()
}

// unsafe tells characters that do something to a terminal instead of being shown: controls
// (Unicode's Cc, with the C1 controls that terminals take for escape sequences), separators of
// lines, and marks of direction (UAX #9, 2).
func unsafe(r rune) bool {
	return unicode.IsControl(r) || r == 0x2028 || r == 0x2029 || r == 0x61c || r == 0x200e || r == 0x200f ||
		r >= 0x202a && r <= 0x202e || r >= 0x2066 && r <= 0x2069
}

// Guard returns w, or where w is a terminal a writer that cleans what is written.
func Guard(w io.Writer) io.Writer {
	if !isTerminal(w) {
		return w
	}
	return &guard{w: w}
}

// guard cleans what is written; a character may come in two pieces.
type guard struct {
	w    io.Writer
	rest []byte
}

func (g *guard) Write(b []byte) (int, error) {
	text := append(g.rest, b...)
	whole := len(text)
	for k := 1; k < utf8.UTFMax && k <= len(text); k++ {
		if at := len(text) - k; utf8.RuneStart(text[at]) {
			if !utf8.FullRune(text[at:]) {
				whole = at
			}
			break
		}
	}
	cleaned := Clean(string(text[:whole]))
	g.rest = append([]byte(nil), text[whole:]...)
	if _, err := io.WriteString(g.w, cleaned); err != nil {
		return 0, err
	}
	return len(b), nil
}
