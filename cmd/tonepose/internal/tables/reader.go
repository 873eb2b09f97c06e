package tables

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"iter"
	"os"
	"runtime"
	"slices"
	"strings"

	"github.com/parquet-go/parquet-go"
)

// Reader streams the rows of one table.
type Reader[T any] struct {
	Metadata Metadata

	batch func() ([]T, error) // the next rows; io.EOF after the last; other errors name the file
	close func() error
}

// Open opens a table of rows T, as this version writes it or an earlier one
// did. The error names a column that is missing or of another type. Where no file has
// the name but parts of a stream have it, as poses-000001.parquet for poses.parquet,
// these are read as one table, with the metadata of the first.
func Open[T Row](path string) (*Reader[T], error) {
	files, err := filesOf(path)
	if err != nil {
		return nil, err
	}
	return chain(files, kindFor[T]().open)
}

// All yields the rows that were not read yet; an error ends it.
func (r *Reader[T]) All() iter.Seq2[T, error] {
	return func(yield func(T, error) bool) {
		for {
			batch, err := r.batch()
			for _, row := range batch {
				if !yield(row, nil) {
					return
				}
			}
			if err == io.EOF {
				return
			}
			if err != nil {
				yield(*new(T), err)
				return
			}
		}
	}
}

// Close releases the file.
func (r *Reader[T]) Close() error { return r.close() }

// chain reads parts as one table.
func chain[T any](parts []string, open func(path string) (*Reader[T], error)) (*Reader[T], error) {
	at, err := open(parts[0])
	if err != nil {
		return nil, err
	}
	all := &Reader[T]{Metadata: at.Metadata}
	all.close = func() error { return at.Close() }
	all.batch = func() ([]T, error) {
		for {
			batch, err := at.batch()
			if err != io.EOF || len(parts) == 1 {
				return batch, err
			}
			if len(batch) > 0 {
				return batch, nil
			}
			next, err := open(parts[1])
			if err != nil {
				return nil, err
			}
			err = at.Close()
			at, parts = next, parts[1:]
			if err != nil {
				return nil, err
			}
		}
	}
	return all, nil
}

func (k kind[T, S]) open(path string) (*Reader[T], error) {
	f, pf, m, err := k.file(path)
	if err != nil {
		return nil, err
	}
	dec := parquet.NewGenericReader[S](pf)
	stored, batch := make([]S, batchRows), make([]T, batchRows)
	read := func() ([]T, error) {
		clear(stored)
		n, err := guard(func() (int, error) { return dec.Read(stored) })
		for i := range n {
			if err := k.load(&stored[i], &batch[i]); err != nil {
				return batch[:i], fmt.Errorf("%s: %w", path, err)
			}
		}
		if err != nil && err != io.EOF {
			err = fmt.Errorf("%s: %w", path, spoiled(err))
		}
		return batch[:n], err
	}
	return &Reader[T]{Metadata: m, batch: read, close: func() error { return errors.Join(dec.Close(), f.Close()) }}, nil
}

// file opens a table that has the columns of its kind.
func (k kind[T, S]) file(path string) (*os.File, *parquet.File, Metadata, error) {
	f, pf, m, schema, err := openTable(path)
	if err != nil {
		return nil, nil, m, err
	}
	if err := checkColumns(pf.Schema(), parquet.SchemaOf(new(S)), schema); err != nil {
		f.Close()
		return nil, nil, m, fmt.Errorf("%s: %w", path, err)
	}
	return f, pf, m, nil
}

// openTable opens any table of ours, whatever its columns.
func openTable(path string) (f *os.File, pf *parquet.File, m Metadata, schema int, err error) {
	if f, err = os.Open(path); errors.Is(err, fs.ErrNotExist) {
		err = fmt.Errorf("%w: name a folder that solve, measure, live or batch wrote (--out), or a table in it", err)
	}
	if err != nil {
		return nil, nil, m, 0, err
	}
	defer func() {
		if err != nil {
			f.Close()
			err = fmt.Errorf("%s: %w", path, err)
		}
	}()
	info, err := f.Stat()
	if err != nil {
		return f, nil, m, 0, err
	}
	if !info.Mode().IsRegular() {
		return f, nil, m, 0, errors.New("not a file: must be a Parquet table")
	}
	pf, err = guard(func() (*parquet.File, error) {
		return parquet.OpenFile(f, info.Size(), parquet.SkipBloomFilters(true))
	})
	if err != nil {
		return f, nil, m, 0, fmt.Errorf("not a Parquet file, %w", spoiled(err))
	}
	m, schema, err = parseMetadata(pf.Lookup)
	return f, pf, m, schema, err
}

// checkColumns looks for every column that is wanted: reading would give zeros,
// without an error, for one that is missing. Nullable columns that an earlier
// schema lacked read as NULL.
func checkColumns(have, want *parquet.Schema, schema int) error {
	var missing []string
	for _, w := range want.Fields() {
		h, ok := have.Lookup(w.Name())
		switch {
		case !ok && w.Optional() && schema < schemaVersion && slices.Contains(added, w.Name()):
		case !ok:
			missing = append(missing, w.Name())
		case h.Node.Type().Kind() != w.Type().Kind():
			return fmt.Errorf("column %s holds %s: must be %s", w.Name(), h.Node.Type(), w.Type())
		}
	}
	if missing != nil {
		return fmt.Errorf("column %s is missing: not a table of this kind", strings.Join(missing, ", "))
	}
	return nil
}

// spoiled is the error of a file whose bytes the decoder takes for none of its own; the end of the
// rows stays what it is. What the decoder says of its own parts helps nobody; what the system
// says of the file does.
func spoiled(err error) error {
	if err == nil || err == io.EOF {
		return err
	}
	if file := (*fs.PathError)(nil); errors.As(err, &file) {
		return fmt.Errorf("cut short or damaged (%w): write it again, or name another", file)
	}
	return errors.New("cut short or damaged: write it again, or name another")
}

// guard turns a panic of the decoder, which trusts the bytes it is given, into
// an error. What the language says of a slice or a pointer helps nobody there.
func guard[V any](read func() (V, error)) (v V, err error) {
	defer func() {
		switch p := recover().(type) {
		case nil:
		case runtime.Error:
			err = errors.New("damaged: its bytes lead the decoder astray")
		default:
			err = fmt.Errorf("damaged: %v", p)
		}
	}()
	return read()
}
