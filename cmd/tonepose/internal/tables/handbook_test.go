package tables

import (
	"slices"
	"strings"
	"testing"

	"github.com/parquet-go/parquet-go"

	"tonepose/cmd/tonepose/internal/handbook"
)

// columnsOf are the columns that a kind of table stores, in their order.
func (k kind[T, S]) columnsOf() (names []string) {
	for _, c := range parquet.SchemaOf(new(S)).Columns() {
		names = append(names, c[0])
	}
	return names
}

// The chapter on tables has every column of every table, with the unit that the
// metadata state, and no other.
func TestHandbookHasEveryColumn(t *testing.T) {
	for _, k := range kinds {
		heading := k.tableName() + ".parquet"
		rows := handbook.Rows("tables", heading)
		if rows == nil {
			t.Errorf("help tables has no table under %s", heading)
			continue
		}
		stored := k.(interface{ columnsOf() []string }).columnsOf()
		var told []string
		for _, row := range rows {
			for _, name := range strings.Fields(row[0]) {
				told = append(told, name)
				unit := row[1]
				if unit == "–" {
					unit = ""
				}
				if want := unitOf(name); unit != want {
					t.Errorf("help tables, %s: %s is in %q, the metadata say %q", heading, name, unit, want)
				}
			}
		}
		for _, name := range stored {
			if !slices.Contains(told, name) {
				t.Errorf("help tables, %s: the column %s is missing", heading, name)
			}
		}
		for _, name := range told {
			if !slices.Contains(stored, name) {
				t.Errorf("help tables, %s: the table has no column %s", heading, name)
			}
		}
	}
}
