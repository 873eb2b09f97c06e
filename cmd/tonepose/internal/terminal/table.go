package terminal

import (
	"fmt"
	"io"
	"strings"
	"unicode/utf8"
)

// Column heads a column of a Table. Its unit stands once, below the name.
type Column struct {
	Name string
	Unit string // "mm"; empty: none
	Left bool   // text, aligned left; numbers are aligned right
}

// Table collects rows of cells and prints them aligned.
type Table struct {
	Indent  string // before every line
	columns []Column
	rows    [][]string
}

// NewTable returns a table without rows.
func NewTable(columns ...Column) *Table { return &Table{columns: columns} }

// Row appends a row, its cells as Line has them. It panics unless there is a cell for each column.
func (t *Table) Row(cells ...string) {
	if len(cells) != len(t.columns) {
		panic(fmt.Sprintf("terminal: %d cells in a table of %d columns", len(cells), len(t.columns)))
	}
	row := make([]string, len(cells))
	for i, cell := range cells {
		row[i] = Line(cell)
	}
	t.rows = append(t.rows, row)
}

// Write prints the table to w: names, units if any column has one, rows.
func (t *Table) Write(w io.Writer, p Paint) error {
	names, units := make([]string, len(t.columns)), make([]string, len(t.columns))
	heads := [][]string{names}
	for i, c := range t.columns {
		names[i] = Line(c.Name)
		if c.Unit != "" {
			units[i] = "(" + c.Unit + ")"
			heads = [][]string{names, units}
		}
	}
	widths := make([]int, len(t.columns))
	for _, row := range append(heads, t.rows...) {
		for i, cell := range row {
			widths[i] = max(widths[i], utf8.RuneCountInString(cell))
		}
	}
	var out strings.Builder
	for i, row := range append(heads, t.rows...) {
		line := t.line(row, widths)
		switch {
		case i == 0:
			line = p.Bold(line)
		case i < len(heads):
			line = p.Faint(line)
		}
		out.WriteString(line + "\n")
	}
	_, err := io.WriteString(w, out.String())
	return err
}

func (t *Table) line(cells []string, widths []int) string {
	var b strings.Builder
	for i, cell := range cells {
		if i > 0 {
			b.WriteString("  ")
		}
		pad := strings.Repeat(" ", widths[i]-utf8.RuneCountInString(cell))
		if t.columns[i].Left {
			b.WriteString(cell + pad)
		} else {
			b.WriteString(pad + cell)
		}
	}
	return t.Indent + strings.TrimRight(b.String(), " ")
}
