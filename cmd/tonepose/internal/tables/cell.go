package tables

import (
	"bytes"
	"fmt"
	"regexp"
	"strings"
)

// formula are the first characters of a cell that spreadsheets may run, or look behind.
const formula = "=+-@\t\r"

// Cell is a text, as a name from a recording, as it stands in a CSV: one that a spreadsheet
// would take for a formula has an apostrophe before it, which makes it a text there. Numbers
// are no texts.
func Cell(text string) string {
	if first := strings.TrimLeft(text, "'"); first != "" && strings.IndexByte(formula, first[0]) >= 0 {
		return "'" + text
	}
	return text
}

// cellText is the text of which Cell made a cell.
func cellText(cell string) string {
	if text, marked := strings.CutPrefix(cell, "'"); marked && Cell(text) == cell {
		return text
	}
	return cell
}

// EscapeControls writes DEL and the control characters from U+0080 to U+009F, which JSON may hold
// as they are and a terminal obeys, as \u00XX in a JSON text.
func EscapeControls(text []byte) []byte {
	if bytes.IndexByte(text, 0x7f) < 0 && bytes.IndexByte(text, 0xc2) < 0 { // with which their UTF-8 begins
		return text
	}
	return controls.ReplaceAllFunc(text, func(c []byte) []byte { return fmt.Appendf(nil, `\u%04x`, []rune(string(c))[0]) })
}

var controls = regexp.MustCompile(`[\x{7f}-\x{9f}]`)
