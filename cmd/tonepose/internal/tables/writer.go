package tables

import (
	"errors"
	"fmt"
	"io"
	"os"

	"github.com/parquet-go/parquet-go"
	"github.com/parquet-go/parquet-go/compress/zstd"
)

// batchRows of phasors stay in the nearest cache while each column picks its own.
const batchRows = 192

// grouping says how many rows are stored together, and how many bytes of one
// column: a page. Row groups are held in memory, compressed, until they are
// complete: about 15 bytes a phasor and 300 bytes a pose, so 2 MB and 10 MB.
type grouping struct {
	rows      int64
	pageBytes int // of each column, twice in memory
}

var (
	// A split page puts the first bytes of all its numbers together, then the
	// second ones and so on. Of 65536 numbers these make one block of the
	// compressor each, which then neither spends time on the bytes that are
	// noise nor mixes them with those that are not.
	narrow = grouping{rows: 1 << 17, pageBytes: 8 << 16}
	// Tables with fewer rows, written beside the phasors: memory counts more.
	modest = grouping{rows: 1 << 17, pageBytes: 64 << 10}
	// Some seventy columns.
	wide = grouping{rows: 1 << 15, pageBytes: 64 << 10}
)

// Writer streams the rows of one table. One goroutine at a time may use it;
// the writers of a Set are independent.
type Writer[T any] struct {
	sink sink[T]
	name string // of the table
	err  error  // the first failure; every later call returns it
}

// sink converts rows to what is stored and encodes them.
type sink[T any] interface {
	write(rows []T) error
	describe(key, value string)
	columns() [][]string
	close() error
}

// Write appends rows. It keeps no reference to them.
func (w *Writer[T]) Write(rows ...T) error {
	if w.err != nil {
		return w.err
	}
	if err := w.sink.write(rows); err != nil {
		w.err = fmt.Errorf("%s.parquet: %w", w.name, err)
	}
	return w.err
}

// finish completes the table's file.
func (w *Writer[T]) finish(m Metadata) error {
	if w.err == nil {
		for _, kv := range m.pairs(w.sink.columns()) {
			w.sink.describe(kv[0], kv[1])
		}
		w.err = w.sink.close()
	}
	return w.err
}

// discard refuses further rows.
func (w *Writer[T]) discard() { w.err = os.ErrClosed }

// store is the sink of rows T that are stored as S.
type store[T, S any] struct {
	kind[T, S]
	enc *parquet.GenericWriter[S]
	buf []S
	n   int
}

func newStore[T, S any](out io.Writer, k kind[T, S]) *store[T, S] {
	options := []parquet.WriterOption{
		parquet.MaxRowsPerRowGroup(k.rows),
		parquet.CreatedBy("tonepose", "", ""),
		parquet.PageBufferSize(k.pageBytes),
		// Measured values hardly compress: stronger levels cost a third of the
		// time for a percent of the size.
		parquet.Compression(&zstd.Codec{Level: zstd.SpeedFastest}),
	}
	// Bounds of names serve no query and cost a third of the time.
	for _, c := range parquet.SchemaOf(new(S)).Fields() {
		if c.Type().Kind() == parquet.ByteArray {
			options = append(options, parquet.SkipPageBounds(c.Name()), parquet.SkipPageStatistics(c.Name()))
		}
	}
	return &store[T, S]{kind: k, enc: parquet.NewGenericWriter[S](out, options...), buf: make([]S, batchRows)}
}

func (s *store[T, S]) write(rows []T) error {
	for i := range rows {
		if err := s.put(&s.buf[s.n], &rows[i]); err != nil {
			return err
		}
		if s.n++; s.n == len(s.buf) {
			if err := s.flush(); err != nil {
				return err
			}
		}
	}
	return nil
}

func (s *store[T, S]) flush() error {
	_, err := s.enc.Write(s.buf[:s.n])
	s.n = 0
	return err
}

func (s *store[T, S]) describe(key, value string) { s.enc.SetKeyValueMetadata(key, value) }

func (s *store[T, S]) columns() [][]string { return s.enc.Schema().Columns() }

func (s *store[T, S]) close() error {
	return errors.Join(s.flush(), s.enc.Close())
}
