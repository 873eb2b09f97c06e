package tables

import "strings"

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
