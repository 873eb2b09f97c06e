package tables

import (
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"unicode/utf8"
)

// Listed is a row of a list of recordings.
type Listed struct {
	Recording string // file name
	Name      string // of its own in a data set; empty: none is stated
	Rig       string // file names of what belongs to it; empty: not stated
	Intervals string
	Baseline  string
	Truth     string  // known poses
	Labels    []Label // what else the list says, in the order of its columns
	File      string  // of the list
	Line      int     // in it
}

// At is the row's place in the list, for messages; empty: of none.
func (l *Listed) At() string {
	if l.File == "" {
		return ""
	}
	return fmt.Sprintf("%s:%d", l.File, l.Line)
}

// listing are the columns of a list that are no labels.
var listing = []string{"recording", "name", "rig", "intervals", "baseline", "truth"}

// ReadListing reads a CSV of recordings: the column recording and, where there are, name,
// rig, intervals, baseline and truth; all further columns are labels. File names are relative to the
// list's folder.
func ReadListing(path string) (list []Listed, err error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	t, err := newTextTable(f, path)
	if err != nil {
		return nil, err
	}
	if _, err := t.columns("recording"); err != nil {
		return nil, err
	}
	var labels []string
	for _, h := range t.header {
		if i := slices.IndexFunc(listing, func(name string) bool { return strings.EqualFold(name, h) }); i >= 0 && h != listing[i] {
			return nil, fmt.Errorf("%s: column %s: write %s, or give a label another name", path, h, listing[i])
		}
		if h != "" && !slices.Contains(listing, h) {
			labels = append(labels, h)
		}
	}
	if err := CheckLabels(labels); err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	for {
		switch err := t.next(); {
		case err == io.EOF && len(list) == 0:
			return nil, fmt.Errorf("%s: lists no recording: below the header each line must name one", path)
		case err == io.EOF:
			return list, nil
		case err != nil:
			return nil, err
		}
		if i := slices.IndexFunc(t.fields, func(field string) bool { return !utf8.ValidString(field) }); i >= 0 {
			return nil, t.errorf("%s = %q: is no UTF-8, which names and labels of a data set must be: save the list in UTF-8", t.header[i], t.fields[i])
		}
		file := func(column string) string {
			name := t.text(t.column(column))
			if name == "" || filepath.IsAbs(name) {
				return name
			}
			return filepath.Join(filepath.Dir(path), name)
		}
		row := Listed{Recording: file("recording"), Name: t.text(t.column("name")), Rig: file("rig"), Intervals: file("intervals"), Baseline: file("baseline"), Truth: file("truth"),
			File: path, Line: t.line()}
		if row.Recording == "" {
			return nil, t.errorf("recording is empty: a file name must stand there")
		}
		for _, name := range labels {
			row.Labels = append(row.Labels, Label{name, t.text(t.column(name))})
		}
		list = append(list, row)
	}
}
