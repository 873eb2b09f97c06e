package tables

import (
	"bufio"
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
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
	buffered := bufio.NewReader(r)
	if bom, _ := buffered.Peek(3); bytes.Equal(bom, []byte("\xef\xbb\xbf")) {
		buffered.Discard(3)
	}
	// The header is looked at before it is read: it tells the separator.
	skipped, separator, err := skipToHeader(buffered)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	t := &textTable{name: name, comma: separator == ','}
	// Lines passed over stay counted: they are put back as empty ones.
	t.csv = csv.NewReader(io.MultiReader(strings.NewReader(strings.Repeat("\n", skipped)), buffered))
	t.csv.Comma = separator
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

// skipToHeader passes comments and empty lines and finds the separator in the
// line after them, which it does not consume.
func skipToHeader(r *bufio.Reader) (lines int, separator rune, err error) {
	for {
		start, err := r.Peek(r.Size())
		if len(start) == 0 {
			if err != io.EOF {
				return lines, 0, err
			}
			return lines, ',', nil
		}
		line, _, _ := bytes.Cut(start, []byte("\n"))
		line = bytes.TrimRight(line, "\r")
		if len(line) > 0 && line[0] != '#' {
			if i := bytes.IndexAny(line, ",;\t"); i >= 0 {
				return lines, rune(line[i]), nil
			}
			return lines, ',', nil
		}
		for more := true; more; {
			var piece []byte
			piece, more, err = readPiece(r)
			if bytes.HasSuffix(piece, []byte("\n")) {
				lines++
			}
			if err != nil && err != io.EOF {
				return lines, 0, err
			}
		}
	}
}

// readPiece consumes up to the end of a line, or a buffer full of it.
func readPiece(r *bufio.Reader) (piece []byte, more bool, err error) {
	piece, err = r.ReadSlice('\n')
	if errors.Is(err, bufio.ErrBufferFull) {
		return piece, true, nil
	}
	return piece, false, err
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

func (t *textTable) text(column int) string { return strings.TrimSpace(t.fields[column]) }

// number reads a finite number.
func (t *textTable) number(column int) (float64, error) {
	text := t.text(column)
	if !t.comma {
		text = strings.Replace(text, ",", ".", 1)
	}
	v, err := strconv.ParseFloat(text, 64)
	if err != nil || math.IsNaN(v) || math.IsInf(v, 0) {
		return 0, t.errorf("%s = %q: must be a finite number", t.header[column], t.text(column))
	}
	return v, nil
}

// numbers reads the given columns into dst.
func (t *textTable) numbers(dst []float64, columns []int) (err error) {
	for i, c := range columns {
		if dst[i], err = t.number(c); err != nil {
			return err
		}
	}
	return nil
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
