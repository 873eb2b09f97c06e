// Package published reads the check values that stand beside it, for the tests
// of every package: Table reads a CSV file, whose cells Number and Text then find
// by the name of their column, and JSON reads one of the others. Each file
// states its source.
package published

import (
	"embed"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
	"testing"
)

//go:embed *.csv *.json */*.json
var files embed.FS

// Row is one row of a table.
type Row struct {
	tb    testing.TB
	place string // file and line
	cells map[string]string
}

// Table returns the rows of a CSV file, at least one. Lines that begin with # are
// comments, the first other line names the columns.
func Table(tb testing.TB, name string) []Row {
	tb.Helper()
	in := csv.NewReader(strings.NewReader(string(read(tb, name))))
	in.Comment = '#'
	var names []string
	var rows []Row
	for {
		record, err := in.Read()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			tb.Fatalf("%s: %v", name, err)
		}
		if names == nil {
			names = record
			continue
		}
		line, _ := in.FieldPos(0)
		row := Row{tb, fmt.Sprintf("%s:%d", name, line), map[string]string{}}
		for i, cell := range record {
			row.cells[names[i]] = cell
		}
		rows = append(rows, row)
	}
	if len(rows) == 0 {
		tb.Fatalf("%s has no rows", name)
	}
	return rows
}

// Text returns the cell of a column as it is printed, empty where the table
// gives nothing. A column that the table has not ends the test.
func (r Row) Text(column string) string {
	r.tb.Helper()
	cell, ok := r.cells[column]
	if !ok {
		r.tb.Fatalf("%s: no column %q", r.place, column)
	}
	return cell
}

// Number returns the number in the cell of a column. A cell that holds none
// ends the test, an empty one too.
func (r Row) Number(column string) float64 {
	r.tb.Helper()
	cell := r.Text(column)
	v, err := strconv.ParseFloat(cell, 64)
	if err != nil {
		r.tb.Fatalf("%s: %s = %q: must be a number", r.place, column, cell)
	}
	return v
}

// String returns the place of the row, file and line, for messages.
func (r Row) String() string { return r.place }

// JSON reads a JSON file into what the pointer points at.
func JSON(tb testing.TB, name string, into any) {
	tb.Helper()
	if err := json.Unmarshal(read(tb, name), into); err != nil {
		tb.Fatalf("%s: %v", name, err)
	}
}

func read(tb testing.TB, name string) []byte {
	tb.Helper()
	text, err := files.ReadFile(name)
	if err != nil {
		tb.Fatal(err)
	}
	return text
}
