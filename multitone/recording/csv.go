package recording

import (
	"bufio"
	"bytes"
	"cmp"
	"encoding/csv"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
)

const byteOrderMark = "\xef\xbb\xbf"

// table is a CSV: where its rows are and which column is which channel.
type table struct {
	lines   lines
	delim   byte
	columns int   // in every row
	channel []int // channel of each column, −1: not read
	names   []string
	timed   bool   // the first column is time
	rows    int64  // of a file
	first   cursor // of the rows
}

// parseCSV finds delimiter, header, time column and channels of a table of numbers, then reads it once to count its
// rows and to check the time column.
//
// Fields are parted by tabs if there is one, else by semicolons, else by commas; with tabs or semicolons a comma is a
// decimal point. Blank lines and lines that start with # are skipped. An empty field is a missing value.
func parseCSV(f io.ReaderAt, name string, size int64, opt Options) (*layout, error) {
	t := &table{lines: lines{file: f, name: name}}
	bom, start := make([]byte, len(byteOrderMark)), cursor{}
	if readAt(f, bom, 0) == nil && string(bom) == byteOrderMark {
		start.offset = int64(len(bom))
	}
	t.lines.seek(start)
	header, firstIsTime, err := t.head()
	if err != nil {
		return nil, err
	}
	timed := firstIsTime || // or a guess: scan checks that it rises evenly
		t.columns > 1 && (len(header) == 0 || !slices.Contains(opt.Names, header[0]))
	clock := &timeline{name: name, guess: !firstIsTime}
	if timed, err = t.scan(clock, timed); err != nil {
		return nil, err
	}
	l := &layout{format: "CSV", typ: sampleType{kind: 'f', size: 8}, text: t}
	if timed {
		l.captures = clock.captures
		if l.rate = clock.sampleRate(); clock.counts() && opt.SampleRate > 0 {
			l.rate = 0
			for k := range l.captures {
				l.captures[k].Time /= opt.SampleRate
			}
		}
		l.warnings = clock.warnings
	}
	if err := t.choose(header, timed, name, opt); err != nil {
		return nil, err
	}
	l.channels, l.names = len(t.names), t.names
	if len(header) == 0 {
		l.names = nil
	}
	return l, nil
}

// streamCSV finds delimiter, header and channels of a table that comes line by line.
func streamCSV(in io.Reader, name string, opt Options) (*layout, error) {
	t := &table{lines: lines{name: name, text: bufio.NewReaderSize(in, maxLine)}}
	header, timed, err := t.head()
	if err != nil {
		return nil, err
	}
	channels := cmp.Or(opt.Channels, len(opt.Names))
	t.timed = timed || len(header) == 0 && channels > 0 && t.columns == channels+1
	if err := t.choose(header, t.timed, name, opt); err != nil {
		return nil, err
	}
	l := &layout{format: "CSV", typ: sampleType{kind: 'f', size: 8}, text: t, channels: len(t.names)}
	if len(header) > 0 {
		l.names = t.names
	}
	return l, nil
}

// head reads the header, if there is one, and the shape of the first row.
func (t *table) head() (header []string, isTime bool, err error) {
	name := t.lines.name
	lacks := "no row of numbers"
	for {
		t.first = t.lines.cursor
		text, err := t.lines.row()
		if err == io.EOF {
			return nil, false, fmt.Errorf("%s: %s; the table is empty: name another, or write it again", name, lacks)
		}
		if err != nil {
			return nil, false, err
		}
		if header == nil {
			if no := NotTable(text); no != "" {
				return nil, false, fmt.Errorf("%s:%d: %s", name, t.lines.line, no)
			}
		}
		if len(header) < 2 { // a one-word header says nothing of the delimiter
			t.delim = delimiter(text)
		}
		fields := bytes.Split(text, []byte{t.delim})
		t.columns = len(fields)
		if header != nil || !slices.ContainsFunc(fields, func(f []byte) bool { _, ok := parseNumber(f); return !ok }) {
			break
		}
		header, lacks = split(string(text), t.delim), "a header and no row of numbers"
		for k, column := range header {
			if first := slices.Index(header, column); column != "" && first < k {
				return nil, false, fmt.Errorf("%s:%d: the header has %q twice (fields %d and %d); give every column a name of its own",
					name, t.lines.line, column, first+1, k+1)
			}
		}
	}
	if header != nil {
		if t.columns != len(header) {
			return nil, false, fmt.Errorf("%s:%d: %s, the header has %d (%s); give every row as many fields as the header",
				name, t.lines.line, plural(t.columns, "field"), len(header), strings.Join(header, ", "))
		}
		switch strings.ToLower(header[0]) {
		case "t", "time", "time_s":
			isTime = true
		}
	}
	if t.columns > maxChannels+1 {
		return nil, false, fmt.Errorf("%s:%d: %d fields; at most %d channels are read", name, t.lines.line, t.columns, maxChannels)
	}
	if isTime && t.columns == 1 {
		return nil, false, fmt.Errorf("%s:%d: a time column and no channel; add one", name, t.lines.line)
	}
	t.lines.back()
	return header, isTime, nil
}

func delimiter(line []byte) byte {
	for _, d := range []byte("\t;") {
		if bytes.IndexByte(line, d) >= 0 {
			return d
		}
	}
	return ','
}

// split parts a header; a quoted name may hold the delimiter.
func split(line string, delim byte) []string {
	r := csv.NewReader(strings.NewReader(line))
	r.Comma, r.LazyQuotes, r.TrimLeadingSpace = rune(delim), true, delim != '\t'
	fields, _ := r.Read()
	for k := range fields {
		fields[k] = strings.TrimSpace(fields[k])
	}
	return fields
}

// scan reads every row once. A first column that is only guessed to be time stops being it where it is not evenly
// rising.
func (t *table) scan(clock *timeline, timed bool) (isTime bool, err error) {
	for ; ; t.rows++ {
		text, err := t.lines.row()
		if err == io.EOF {
			break
		}
		if err != nil {
			return false, err
		}
		if !timed {
			continue
		}
		if err = t.stamp(clock, text); err == errNotTime {
			timed = false
		} else if err != nil {
			return false, err
		}
	}
	if timed {
		err = clock.end()
	}
	if err == errNotTime {
		return false, nil
	}
	return timed, err
}

// stamp tells the clock the time of a row.
func (t *table) stamp(clock *timeline, text []byte) error {
	field := text
	if i := bytes.IndexByte(text, t.delim); i >= 0 {
		field = text[:i]
	}
	v, ok := parseNumber(field)
	switch {
	case ok && v-v == 0:
		return clock.add(v, t.lines.line)
	case clock.guess && !clock.known:
		return errNotTime
	}
	return fmt.Errorf("%s:%d: time %q is no number; every row needs its time, or leave the column out", t.lines.name, t.lines.line, field)
}

// choose maps columns to channels: by the header's names if it has all that are wanted, else by order.
func (t *table) choose(header []string, timed bool, name string, opt Options) error {
	skip := 0
	if timed {
		skip = 1
	}
	t.channel = make([]int, t.columns)
	for k := range t.channel {
		t.channel[k] = k - skip
	}
	t.names = make([]string, t.columns-skip)
	if len(header) > 0 {
		t.names = header[skip:]
	}
	var missing []string
	for _, want := range opt.Names {
		if !slices.Contains(t.names, want) {
			missing = append(missing, want)
		}
	}
	switch {
	case len(opt.Names) == 0 || len(header) == 0 || len(missing) == len(opt.Names):
		return nil
	case len(missing) > 0:
		return fmt.Errorf("%s: the header (%s) lacks the channel %s; name all columns as the channels, or none", name,
			strings.Join(header, ", "), strings.Join(missing, ", "))
	}
	for k := range t.channel {
		t.channel[k] = -1
		if k >= skip {
			t.channel[k] = slices.Index(opt.Names, header[k])
		}
	}
	t.names = opt.Names
	return nil
}

// read parses the next n rows, from the first on if pos is 0.
func (t *table) read(dst [][]float64, n int, pos int64) (nonFinite bool, err error) {
	if pos == 0 {
		t.lines.seek(t.first)
	}
	for i := range n {
		text, err := t.lines.row()
		if err == io.EOF {
			err = io.ErrUnexpectedEOF
		}
		if err != nil {
			return false, err
		}
		bad, err := t.parse(dst, i, text)
		if err != nil {
			return false, err
		}
		nonFinite = nonFinite || bad
	}
	return nonFinite, nil
}

// seek passes over rows from one, before which the table stands, to another.
func (t *table) seek(from, to int64) error {
	if to < from || from == 0 {
		from = 0
		t.lines.seek(t.first)
	}
	for ; from < to; from++ {
		if _, err := t.lines.row(); err != nil {
			return err
		}
	}
	return nil
}

// parse puts the row in text into sample i.
func (t *table) parse(dst [][]float64, i int, text []byte) (nonFinite bool, err error) {
	k := 0
	for more := true; more; k++ {
		field := text
		if j := bytes.IndexByte(text, t.delim); j >= 0 {
			field, text = text[:j], text[j+1:]
		} else {
			more = false
		}
		if k >= t.columns {
			continue
		}
		c := t.channel[k]
		if c < 0 {
			continue
		}
		v, ok := parseNumber(field)
		if !ok {
			return false, fmt.Errorf("%s:%d: column %d (%s) = %q: not a number; write plain decimals, or leave the field "+
				"empty if the value is missing", t.lines.name, t.lines.line, k+1, t.names[c], field)
		}
		if !(v >= -mostVolts && v <= mostVolts) {
			v, nonFinite = math.NaN(), true
		}
		dst[c][i] = v
	}
	if k != t.columns {
		return false, fmt.Errorf("%s:%d: %s, expected %d as in the rows before; mend the row or remove it", t.lines.name,
			t.lines.line, plural(k, "field"), t.columns)
	}
	return nonFinite, nil
}

// beginCSV writes the header.
func (w *Writer) beginCSV() error {
	_, err := w.data.WriteString(strings.Join(append([]string{"time_s"}, w.Names...), ",") + "\n")
	return err
}

// appendLine appends sample i: nine digits are more than 24 bits have.
func (w *Writer) appendLine(b []byte, volts [][]float64, i int) []byte {
	b = strconv.AppendFloat(b, float64(w.row)/w.SampleRate, 'g', 12, 64)
	for c := range volts {
		b = strconv.AppendFloat(append(b, ','), volts[c][i], 'g', 9, 64)
	}
	return append(b, '\n')
}
