package terminal

import (
	"bytes"
	"testing"
)

// The sequences are those of ECMA-48: CSI as ESC [ and as U+009B, OSC, and erasing; of UAX #9
// the override of direction.
func TestNamesCannotSteerATerminal(t *testing.T) {
	for text, want := range map[string]string{
		"rx1":                      "rx1",
		"größer °C":                "größer °C",
		"\x1b[31mred\x1b[0m":       `\x1b[31mred\x1b[0m`,
		"\x1b]0;title\a":           `\x1b]0;title\x07`,
		"\u009b2J":                 `\u009b2J`,
		"over\rwritten\b\x7f":      `over\x0dwritten\x08\x7f`,
		"a\u202etxt.exe":           `a\u202etxt.exe`,
		"not \xff\x9b UTF-8 \xe2":  `not \xff\x9b UTF-8 \xe2`,
		"two\nlines\tand a column": "two\nlines\tand a column",
	} {
		if got := Clean(text); got != want {
			t.Errorf("Clean(%q) = %q, want %q", text, got, want)
		}
		// Byte by byte it comes to the same, but for a character that never becomes whole.
		var out bytes.Buffer
		g := &guard{w: &out}
		for i := range len(text) {
			if n, err := g.Write([]byte{text[i]}); n != 1 || err != nil {
				t.Fatal(n, err)
			}
		}
		if out.String()+Clean(string(g.rest)) != want {
			t.Errorf("%q in pieces: %q, want %q", text, out.String(), want)
		}
	}
	if got := Line("two\nlines\t"); got != `two\x0alines\x09` {
		t.Errorf("Line: %q", got)
	}
	if w := Guard(new(bytes.Buffer)); w == nil {
		t.Error("no writer")
	} else if _, ok := w.(*bytes.Buffer); !ok {
		t.Error("what is no terminal gets other bytes")
	}
}
