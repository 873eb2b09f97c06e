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
	// A split page stores the first bytes of all its numbers together, then the
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
type Writer[T any] interface {
	// Write appends rows. It keeps no reference to them. After a failure it
	// returns the same error again.
	Write(rows ...T) error
}

// writer converts rows T to what is stored, S, and encodes them.
type writer[T, S any] struct {
	kind[T, S]
	enc *parquet.GenericWriter[S]
	buf []S
	n   int
	err error // the first failure
}

// Measured values hardly compress: stronger levels cost a third of the time for a percent
// of the size. Of one codec all tables use the same encoders, of 8 MB each.
var compression = &zstd.Codec{Level: zstd.SpeedFastest}

func newWriter[T, S any](out io.Writer, k kind[T, S], named ...parquet.WriterOption) *writer[T, S] {
	options := []parquet.WriterOption{
		parquet.MaxRowsPerRowGroup(k.rows),
		parquet.CreatedBy("tonepose", "", ""),
		parquet.PageBufferSize(k.pageBytes),
		parquet.Compression(compression),
	}
	// Bounds of names serve no query and cost a third of the time.
	for _, c := range parquet.SchemaOf(new(S)).Fields() {
		if c.Type().Kind() == parquet.ByteArray {
			options = append(options, parquet.SkipPageBounds(c.Name()), parquet.SkipPageStatistics(c.Name()))
		}
	}
	options = append(options, named...)
	return &writer[T, S]{kind: k, enc: parquet.NewGenericWriter[S](out, options...), buf: make([]S, batchRows)}
}

func (w *writer[T, S]) Write(rows ...T) error {
	if w.err != nil {
		return w.err
	}
	for i := range rows {
		err := w.store(&w.buf[w.n], &rows[i])
		if err == nil {
			if w.n++; w.n == len(w.buf) {
				err = w.flush()
			}
		}
		if err != nil {
			w.err = fmt.Errorf("%s.parquet: %w", w.name, err)
			return w.err
		}
	}
	return nil
}

func (w *writer[T, S]) flush() error {
	_, err := w.enc.Write(w.buf[:w.n])
	w.n = 0
	return err
}

// finish completes the table's file.
func (w *writer[T, S]) finish(m Metadata) error {
	if w.err == nil {
		for _, kv := range m.pairs(w.enc.Schema().Columns()) {
			w.enc.SetKeyValueMetadata(kv[0], kv[1])
		}
		w.err = errors.Join(w.flush(), w.enc.Close())
	}
	return w.err
}

// restart begins another file of the table with the memory of the one before.
func (w *writer[T, S]) restart(out io.Writer) {
	w.enc.Reset(out)
	w.n, w.err = 0, nil
}

// discard refuses further rows.
func (w *writer[T, S]) discard() { w.err = os.ErrClosed }
