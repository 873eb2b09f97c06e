package tables

import (
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"slices"

	"github.com/parquet-go/parquet-go"
	"github.com/parquet-go/parquet-go/encoding"
)

// Scan reads some columns of a table, block by block: of tables with many columns much
// faster than row by row. Blocks may be read by several goroutines at a time.
type Scan struct {
	Metadata Metadata
	numbers  []string
	words    []string
	blocks   []stored
	files    []*os.File
}

// stored is a group of rows in a file.
type stored struct {
	name  string // of the file
	table *parquet.File
	group parquet.RowGroup

	first, last float64 // times [s]
}

// storedIn are the groups of rows of a file.
func storedIn(name string, table *parquet.File) (all []stored, err error) {
	leaf, _ := table.Schema().Lookup(timeColumn)
	for _, group := range table.RowGroups() {
		chunk, ok := group.ColumnChunks()[leaf.ColumnIndex].(*parquet.FileColumnChunk)
		var low, high parquet.Value
		if ok {
			low, high, ok = chunk.Bounds()
		}
		if !ok {
			return nil, fmt.Errorf("%s: states no bounds of its times: not a table of ours", name)
		}
		all = append(all, stored{name, table, group, low.Double(), high.Double()})
	}
	return all, nil
}

// Block is successive rows of a table, column by column.
type Block struct {
	Rows    int
	Numbers [][]float64 // NaN: no value
	Words   []Words
}

// Words is a column of texts, few of which differ.
type Words struct {
	At  []int32 // of every row which of all; −1: none
	All []string
}

// OpenScan opens a table of rows T, or the parts of one, as Open does, to read columns of
// numbers and columns of texts. Those that an earlier version did not write have no value.
func OpenScan[T Row](path string, numbers, words []string) (*Scan, error) {
	s := &Scan{numbers: numbers, words: words}
	files, err := filesOf(path)
	if err != nil {
		return nil, err
	}
	k := kindFor[T]()
	for i, name := range files {
		f, table, m, err := k.file(name)
		if err != nil {
			return nil, errors.Join(err, s.Close())
		}
		s.files = append(s.files, f)
		if i == 0 {
			s.Metadata = m
		}
		blocks, err := storedIn(name, table)
		if err != nil {
			return nil, errors.Join(err, s.Close())
		}
		s.blocks = append(s.blocks, blocks...)
	}
	return s, nil
}

// Blocks is how many blocks there are.
func (s *Scan) Blocks() int { return len(s.blocks) }

// Span is between which times [s] a block is, as its file states, and how many rows it has.
func (s *Scan) Span(block int) (first, last float64, rows int) {
	at := &s.blocks[block]
	return at.first, at.last, int(at.group.NumRows())
}

// Read fills b with a block, in the memory that it has.
func (s *Scan) Read(block int, b *Block) error {
	at := &s.blocks[block]
	b.Rows = int(at.group.NumRows())
	b.Numbers, b.Words = resized(b.Numbers, len(s.numbers)), resized(b.Words, len(s.words))
	_, err := guard(func() (struct{}, error) {
		for i, name := range s.numbers {
			b.Numbers[i] = resized(b.Numbers[i], b.Rows)
			if err := at.numbers(name, b.Numbers[i]); err != nil {
				return struct{}{}, fmt.Errorf("column %s: %w", name, err)
			}
		}
		for i, name := range s.words {
			b.Words[i].At = resized(b.Words[i].At, b.Rows)
			if err := at.words(name, &b.Words[i]); err != nil {
				return struct{}{}, fmt.Errorf("column %s: %w", name, err)
			}
		}
		return struct{}{}, nil
	})
	if err != nil {
		return fmt.Errorf("%s: %w", at.name, spoiled(err))
	}
	return nil
}

// Close releases the files.
func (s *Scan) Close() (err error) {
	for _, f := range s.files {
		err = errors.Join(err, f.Close())
	}
	return err
}

func resized[V any](list []V, n int) []V { return slices.Grow(list[:0], n)[:n] }

// pages calls each with the pages of a column, for so many rows; without a call the file
// has no such column.
func (s *stored) pages(column string, rows int, each func(page parquet.Page, row, rows int)) error {
	leaf, ok := s.table.Schema().Lookup(column)
	if !ok {
		return nil
	}
	pages := s.group.ColumnChunks()[leaf.ColumnIndex].Pages()
	defer pages.Close()
	for row := 0; row < rows; {
		page, err := pages.ReadPage()
		if err == io.EOF {
			err = io.ErrUnexpectedEOF
		}
		if err != nil {
			return err
		}
		n := int(page.NumRows())
		each(page, row, n)
		row += n
		parquet.Release(page)
	}
	return nil
}

func (s *stored) numbers(column string, out []float64) error {
	for i := range out {
		out[i] = math.NaN()
	}
	var known []float64 // of the dictionary
	return s.pages(column, len(out), func(page parquet.Page, row, rows int) {
		to, n := out[row:row+rows], 0
		switch data, d := page.Data(), page.Dictionary(); {
		case d != nil:
			for i := len(known); i < d.Len(); i++ {
				known = append(known, numberOf(d.Index(int32(i))))
			}
			for _, i := range data.Int32() {
				to[n] = known[i]
				n++
			}
		case data.Kind() == encoding.Double:
			n = copy(to, data.Double())
		default:
			for _, v := range data.Int32() {
				to[n] = float64(v)
				n++
			}
		}
		place(to, n, page.DefinitionLevels(), math.NaN())
	})
}

func numberOf(v parquet.Value) float64 {
	if v.Kind() == parquet.Double {
		return v.Double()
	}
	return float64(v.Int32())
}

func (s *stored) words(column string, w *Words) error {
	for i := range w.At {
		w.At[i] = -1
	}
	w.All = w.All[:0]
	return s.pages(column, len(w.At), func(page parquet.Page, row, rows int) {
		d := page.Dictionary() // all texts are stored with one
		for i := len(w.All); i < d.Len(); i++ {
			w.All = append(w.All, d.Index(int32(i)).String())
		}
		to := w.At[row : row+rows]
		data := page.Data()
		place(to, copy(to, data.Int32()), page.DefinitionLevels(), -1)
	})
}

// place moves the n values that a page has to their rows, and puts none where the levels
// say that there is no value; without levels all rows have one.
func place[V any](rows []V, n int, levels []byte, none V) {
	if n == len(rows) {
		return
	}
	for i := len(rows) - 1; i >= 0; i-- {
		if levels[i] == 0 {
			rows[i] = none
			continue
		}
		n--
		rows[i] = rows[n]
	}
}
