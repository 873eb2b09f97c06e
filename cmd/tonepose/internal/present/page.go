package present

import (
	"fmt"
	"io"
	"math"
	"strings"

	"tonepose/cmd/tonepose/internal/terminal"
)

// page prints a result for people. It keeps the first error of its writer.
type page struct {
	w     io.Writer
	paint terminal.Paint
	err   error
}

func newPage(w io.Writer) *page { return &page{w: w, paint: terminal.PaintFor(w)} }

// line prints a line. Texts in it that come from files move no cursor and end no line.
func (p *page) line(format string, values ...any) {
	for i, v := range values {
		switch v := v.(type) {
		case string:
			values[i] = terminal.Line(v)
		case error:
			values[i] = terminal.Line(v.Error())
		}
	}
	p.painted(terminal.Clean(fmt.Sprintf(format, values...)))
}

// painted prints a line in which the codes of paint stand.
func (p *page) painted(text string) {
	if p.err == nil {
		_, p.err = fmt.Fprintln(p.w, text)
	}
}

// titled prints a line with a name before it.
func (p *page) titled(name, format string, values ...any) {
	p.painted(p.bold(name) + ": " + terminal.Clean(fmt.Sprintf(format, values...)))
}

// bold and faint are texts for painted.
func (p *page) bold(text string) string  { return p.paint.Bold(terminal.Line(text)) }
func (p *page) faint(text string) string { return p.paint.Faint(terminal.Line(text)) }

// heading prints a title after an empty line.
func (p *page) heading(format string, values ...any) {
	p.painted("\n" + p.bold(fmt.Sprintf(format, values...)))
}

// tableOf begins a table.
func tableOf(columns ...column) *terminal.Table {
	var plain []terminal.Column
	for _, c := range columns {
		plain = append(plain, c.Column)
	}
	return terminal.NewTable(plain...)
}

func (p *page) table(t *terminal.Table) {
	if p.err == nil {
		p.err = t.Write(p.w, p.paint)
	}
}

// sheet is a table with a title, notes, and the origin of its columns' numbers.
type sheet struct {
	title   string
	columns []column
	rows    [][]string
	notes   []string
}

// column is a column with the formula and the source of its numbers; both empty
// for names and for what the rig file or a flag states.
type column struct {
	terminal.Column
	formula, source string
}

// text is a column of words.
func text(name string) column { return column{Column: terminal.Column{Name: name, Left: true}} }

// number is a column of numbers, with their formula and its source where there
// are.
func number(name, unit string, origin ...string) column {
	origin = append(origin, "", "")
	return column{terminal.Column{Name: name, Unit: unit}, origin[0], origin[1]}
}

func (t *sheet) row(cells ...string) { t.rows = append(t.rows, cells) }

func (t *sheet) note(format string, values ...any) {
	t.notes = append(t.notes, fmt.Sprintf(format, values...))
}

// sheet prints t, nothing where it is empty. With explain the origin of every
// column follows.
func (p *page) sheet(t *sheet, explain bool) {
	if t == nil || len(t.rows) == 0 && len(t.notes) == 0 {
		return
	}
	p.heading("%s", t.title)
	if len(t.rows) > 0 {
		table := tableOf(t.columns...)
		table.Indent = "  "
		for _, r := range t.rows {
			table.Row(r...)
		}
		p.table(table)
	}
	for _, n := range t.notes {
		p.line("  %s", n)
	}
	for _, c := range t.columns {
		if !explain || c.formula == "" {
			continue
		}
		origin := c.formula
		if c.source != "" {
			origin += " (" + c.source + ")"
		}
		p.painted(p.faint(fmt.Sprintf("  · %s: %s", c.Name, origin)))
	}
}

const deg = math.Pi / 180

func mm(v float64) string      { return Number(v*1e3, 3) }
func degrees(v float64) string { return Number(v/deg, 3) }

// scaled prints v in units of unit to three digits; – where there is no number.
func scaled(v, unit float64) string {
	if math.IsInf(v, 0) {
		return "–"
	}
	return Number(v/unit, 3)
}

// triple prints three numbers in units of unit to so many decimals.
func triple(v [3]float64, unit float64, decimals int) string {
	return fixed(v[0]/unit, decimals) + ", " + fixed(v[1]/unit, decimals) + ", " + fixed(v[2]/unit, decimals)
}

// Quoted is a word of a command line, in quotes where a shell would do more than read it.
func Quoted(word string) string {
	plain := func(r rune) bool {
		return r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || strings.ContainsRune("_-./=:,+@%", r)
	}
	if word != "" && strings.IndexFunc(word, func(r rune) bool { return !plain(r) }) < 0 {
		return word
	}
	return "'" + strings.ReplaceAll(word, "'", `'\''`) + "'"
}
