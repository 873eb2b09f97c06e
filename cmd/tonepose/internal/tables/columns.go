package tables

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"slices"
	"strconv"
	"strings"

	"tonepose/multitone/recording"
)

// textTable reads a CSV file row by row, columns by name. Separated by comma,
// semicolon or tab, whichever comes first in the header; unless it is a comma,
// numbers may have a decimal comma. Lines that start with # are comments.
type textTable struct {
	name   string // of the file, for errors
	csv    *csv.Reader
	header []string
	fields []string
	comma  bool // the separator is a comma
}

func newTextTable(r io.Reader, name string) (*textTable, error) {
	if f, ok := r.(*os.File); ok {
		if info, err := f.Stat(); err == nil && info.IsDir() {
			return nil, fmt.Errorf("%s: is a directory: name a CSV", name)
		}
	}
	text, err := io.ReadAll(r)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	text = bytes.TrimPrefix(text, []byte("\xef\xbb\xbf"))
	if no := recording.NotTable(text); no != "" {
		return nil, fmt.Errorf("%s:1: %s", name, no)
	}
	t := &textTable{name: name, csv: csv.NewReader(bytes.NewReader(text))}
	t.csv.Comma = separator(text)
	t.comma = t.csv.Comma == ','
	t.csv.Comment = '#'
	t.csv.FieldsPerRecord = -1
	t.csv.ReuseRecord = true
	header, err := t.csv.Read()
	if err == io.EOF {
		return nil, fmt.Errorf("%s: empty: the first line must name the columns", name)
	}
	if err != nil {
		return nil, t.wrap(err)
	}
	for i, h := range header {
		h = strings.TrimSpace(h)
		if h != "" && slices.Contains(t.header, h) {
			return nil, t.errorf("column %s stands twice in the header (fields %d and %d): rename one",
				h, slices.Index(t.header, h)+1, i+1)
		}
		t.header = append(t.header, h)
	}
	return t, nil
}

// separator is that of the header, the first line that is no comment.
func separator(text []byte) rune {
	for line := range bytes.Lines(text) {
		line = bytes.TrimRight(line, "\r\n")
		if len(line) == 0 || line[0] == '#' {
			continue
		}
		if i := bytes.IndexAny(line, ",;\t"); i >= 0 {
			return rune(line[i])
		}
		break
	}
	return ','
}

// column returns the field number of a column, or -1.
func (t *textTable) column(name string) int { return slices.Index(t.header, name) }

// columns returns the field numbers of columns that must be there.
func (t *textTable) columns(names ...string) ([]int, error) {
	list := make([]int, len(names))
	for i, name := range names {
		if list[i] = t.column(name); list[i] < 0 {
			return nil, t.errorf("no column %s among %s: the first line must name the columns, needed are %s",
				name, strings.Join(t.header, ", "), strings.Join(names, ", "))
		}
	}
	return list, nil
}

// next reads a row; io.EOF after the last. Rows of blank fields, as a
// spreadsheet leaves them, are passed over.
func (t *textTable) next() error {
	for blank := true; blank; {
		fields, err := t.csv.Read()
		if err != nil {
			return t.wrap(err)
		}
		t.fields = fields
		blank = !slices.ContainsFunc(fields, func(f string) bool { return strings.TrimSpace(f) != "" })
	}
	if len(t.fields) != len(t.header) {
		return t.errorf("%d fields: must be %d, as in the header", len(t.fields), len(t.header))
	}
	return nil
}

// text is a field of the row; of a column that is not there, nothing.
func (t *textTable) text(column int) string {
	if column < 0 {
		return ""
	}
	return strings.TrimSpace(t.fields[column])
}

// number reads a finite number.
func (t *textTable) number(column int) (float64, error) {
	text := t.text(column)
	if !t.comma {
		text = strings.Replace(text, ",", ".", 1)
	}
	v, err := strconv.ParseFloat(text, 64)
	if err != nil || math.IsNaN(v) || math.IsInf(v, 0) {
		if text == "" {
			return 0, t.errorf("%s is empty: a number must stand there", t.header[column])
		}
		return 0, t.errorf("%s = %q: must be a finite number", t.header[column], text)
	}
	return v, nil
}

// line is that of the row read last, from 1.
func (t *textTable) line() int {
	line, _ := t.csv.FieldPos(0)
	return line
}

func (t *textTable) errorf(format string, args ...any) error {
	return fmt.Errorf("%s:%d: %w", t.name, t.line(), fmt.Errorf(format, args...))
}

func (t *textTable) wrap(err error) error {
	if err == io.EOF {
		return err
	}
	if parse := (*csv.ParseError)(nil); errors.As(err, &parse) {
		return fmt.Errorf("%s:%d: %w", t.name, parse.Line, parse.Err)
	}
	return fmt.Errorf("%s: %w", t.name, err)
}
