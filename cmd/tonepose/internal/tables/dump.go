package tables

import (
	"bufio"
	"bytes"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"strconv"
	"strings"
	"tonepose/cmd/tonepose/internal/verdict"

	"github.com/parquet-go/parquet-go"
)

// Dump reads any table of ours column by column, to print it elsewhere.
type Dump struct {
	file  *os.File      // the first one
	table *parquet.File // of it
	names []string
	more  []string // files that follow
}

// OpenDump opens a table whatever its kind, or as Open the parts of one. A Parquet
// file that tonepose did not write is an error.
func OpenDump(path string) (*Dump, error) {
	list, err := filesOf(path)
	if err != nil {
		return nil, err
	}
	d := &Dump{more: list[1:]}
	if d.file, d.table, _, _, err = openTable(list[0]); err != nil {
		return nil, err
	}
	d.names = columns(d.table)
	return d, nil
}

func columns(table *parquet.File) (names []string) {
	for _, c := range table.Schema().Columns() {
		names = append(names, strings.Join(c, "."))
	}
	return names
}

// Close releases the file.
func (d *Dump) Close() error { return d.file.Close() }

// Check reads all rows: where it returns no error, what is written next is all of the table.
func (d *Dump) Check() error { return d.each(func(parquet.Row) error { return nil }) }

// WriteMetadataCSV writes the key-value pairs, one a line, below a header, as Cell has them.
func (d *Dump) WriteMetadataCSV(w io.Writer) error {
	out := csv.NewWriter(w)
	out.Write([]string{"key", "value"})
	for _, kv := range d.table.Metadata().KeyValueMetadata {
		out.Write([]string{Cell(kv.Key), Cell(kv.Value)})
	}
	out.Flush()
	return out.Error()
}

// WriteMetadataJSON writes the key-value pairs as one object of texts.
func (d *Dump) WriteMetadataJSON(w io.Writer) error {
	pairs := make(map[string]string)
	for _, kv := range d.table.Metadata().KeyValueMetadata {
		pairs[kv.Key] = kv.Value
	}
	var text bytes.Buffer
	encoder := json.NewEncoder(&text)
	encoder.SetIndent("", "  ")
	encoder.SetEscapeHTML(false)
	if err := encoder.Encode(pairs); err != nil {
		return err
	}
	_, err := w.Write(EscapeControls(text.Bytes()))
	return err
}

// WriteCSV writes a header and one line a row; no number is an empty field. Others
// are the shortest that read back as the same. Texts are as Cell has them.
func (d *Dump) WriteCSV(w io.Writer) error {
	out := csv.NewWriter(w)
	out.Write(d.names)
	fields := make([]string, len(d.names))
	err := d.each(func(row parquet.Row) error {
		for i, v := range row {
			text, isText := d.value(i, v)
			if isText {
				text = Cell(text)
			}
			fields[i] = text
		}
		return out.Write(fields)
	})
	out.Flush()
	return errors.Join(err, out.Error())
}

// WriteJSON writes an array with one object a row, a line each; no number is null.
func (d *Dump) WriteJSON(w io.Writer) error {
	out := bufio.NewWriterSize(w, 1<<16)
	keys := make([]string, len(d.names))
	for i, name := range d.names {
		keys[i] = "," + jsonText(name) + ":"
	}
	keys[0] = "{" + keys[0][1:]
	out.WriteByte('[')
	lead := "\n"
	var line []byte
	err := d.each(func(row parquet.Row) error {
		line = append(line[:0], lead...)
		lead = ",\n"
		for i, v := range row {
			text, isText := d.value(i, v)
			switch {
			case isText:
				text = jsonText(text)
			case text == "":
				text = "null"
			}
			line = append(append(line, keys[i]...), text...)
		}
		_, err := out.Write(EscapeControls(append(line, '}')))
		return err
	})
	out.WriteString("\n]\n")
	return errors.Join(err, out.Flush())
}

// each hands over the rows; a row is valid until the next.
func (d *Dump) each(row func(parquet.Row) error) error {
	if err := eachOf(d.table, d.file.Name(), row); err != nil {
		return err
	}
	for _, name := range d.more {
		file, table, _, _, err := openTable(name)
		if err != nil {
			return err
		}
		if now := columns(table); !slices.Equal(now, d.names) {
			err = fmt.Errorf("%s: its columns are %s, those of the parts before %s: print them one by one", name, strings.Join(now, ", "), strings.Join(d.names, ", "))
		} else {
			err = eachOf(table, name, row)
		}
		if err := errors.Join(err, file.Close()); err != nil {
			return err
		}
	}
	return nil
}

func eachOf(table *parquet.File, name string, row func(parquet.Row) error) error {
	reader := parquet.NewReader(table)
	defer reader.Close()
	batch := make([]parquet.Row, 128)
	for {
		n, err := guard(func() (int, error) { return reader.ReadRows(batch) })
		for _, r := range batch[:n] {
			if err := row(r); err != nil {
				return err
			}
		}
		if err == io.EOF {
			return nil
		}
		if err != nil {
			return fmt.Errorf("%s: %w", name, spoiled(err))
		}
	}
}

// IsNumber is false for NaN and the infinities. Wherever results are written,
// these stand for "no number": NULL in a table, null in JSON, an empty field in
// CSV.
func IsNumber(v float64) bool { return v-v == 0 }

// value prints the value of a column: no number is empty.
func (d *Dump) value(column int, v parquet.Value) (s string, isText bool) {
	switch {
	case v.IsNull(), v.Kind() == parquet.Double && !IsNumber(v.Double()):
		return "", false
	case v.Kind() == parquet.Double:
		return strconv.FormatFloat(v.Double(), 'g', -1, 64), false
	case v.Kind() != parquet.ByteArray:
		return v.String(), false
	}
	s = string(v.ByteArray())
	if d.names[column] == "flags" {
		if f, err := verdict.ParseFlags(s); err == nil { // under today's names
			s = f.String()
		}
	}
	return s, true
}
