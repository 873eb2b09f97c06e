package verdict

import (
	"slices"
	"testing"

	"tonepose/cmd/tonepose/internal/handbook"
)

// The chapter on flags has every flag, in the order of the tables, with a next step
// and a section of its own, and no other.
func TestHandbookHasEveryFlag(t *testing.T) {
	var told []string
	for _, row := range handbook.Rows("flags", "The flags in short") {
		told = append(told, row[0])
		if row[1] == "" || handbook.Next(row[0]) == "" {
			t.Errorf("help flags: %s has no meaning or no next step", row[0])
		}
		if !slices.Contains(handbook.Headings("flags"), row[0]) {
			t.Errorf("help flags: %s has no section", row[0])
		}
	}
	if !slices.Equal(told, flagNames[:]) {
		t.Errorf("help flags has %q, tables have %q", told, flagNames)
	}
}
