package tables

import (
	"errors"
	"fmt"
	"io"
	"slices"
	"sort"

	"github.com/parquet-go/parquet-go"
)

// Finder reads single rows of a table by their number, and finds them by their time,
// where the rows before it need not be read. It is for one goroutine.
type Finder[T Row] struct {
	Metadata Metadata
	parts    []found[T]
	groups   []timed
	times    []float64 // of the rows of one group
	timesOf  int       // which; −1: none
}

// timed is a group of rows, and when they were.
type timed struct {
	stored
	row int64 // number of its first row
}

// found is one file of a table.
type found[T any] struct {
	name  string
	first int64 // number of its first row
	rows  int64
	table *parquet.File
	read  func(row int64, dst []T) (int, error) // counted from the file's first
	close func() error
}

// Find opens a table of rows T, or the parts of one, as Open does.
func Find[T Row](path string) (*Finder[T], error) {
	files, err := filesOf(path)
	if err != nil {
		return nil, err
	}
	k, f := kindFor[T](), &Finder[T]{timesOf: -1}
	for i, file := range files {
		part, m, err := k.find(file)
		if err != nil {
			return nil, errors.Join(err, f.Close())
		}
		if i == 0 {
			f.Metadata = m
		}
		part.first = f.Rows()
		f.parts = append(f.parts, part)
		if err := f.add(&part); err != nil {
			return nil, errors.Join(err, f.Close())
		}
	}
	return f, nil
}

// timeColumn is there in every table.
const timeColumn = "time_s"

// add takes the groups of a file, with the times that the file states of each.
func (f *Finder[T]) add(part *found[T]) error {
	groups, err := storedIn(part.name, part.table)
	row := part.first
	for _, g := range groups {
		f.groups = append(f.groups, timed{g, row})
		row += g.group.NumRows()
	}
	return err
}

// Rows is how many rows the table has.
func (f *Finder[T]) Rows() int64 {
	if len(f.parts) == 0 {
		return 0
	}
	last := &f.parts[len(f.parts)-1]
	return last.first + last.rows
}

// Read fills dst with the rows from a number on, and returns how many there are: fewer
// than asked for at the end of the table only.
func (f *Finder[T]) Read(row int64, dst []T) (n int, err error) {
	i := sort.Search(len(f.parts), func(i int) bool { return f.parts[i].first > row }) - 1
	for ; i >= 0 && i < len(f.parts) && n < len(dst); i++ {
		p := &f.parts[i]
		for at := row + int64(n) - p.first; at < p.rows && n < len(dst); at = row + int64(n) - p.first {
			m, err := p.read(at, dst[n:])
			if n += m; err != nil && (err != io.EOF || m == 0) {
				return n, fmt.Errorf("%s: %w", p.name, err)
			}
		}
	}
	return n, nil
}

// Search is the number of the first row whose time is not below t [s], for tables whose
// rows stand in the order of their times.
func (f *Finder[T]) Search(t float64) (row int64, err error) {
	i := sort.Search(len(f.groups), func(i int) bool { return f.groups[i].last >= t })
	if i == len(f.groups) {
		return f.Rows(), nil
	}
	if err := f.readTimes(i); err != nil {
		return 0, err
	}
	return f.groups[i].row + int64(sort.SearchFloat64s(f.times, t)), nil
}

// At is the number of the first row at a time [s], in whatever order rows stand; false:
// there is none.
func (f *Finder[T]) At(t float64) (row int64, ok bool, err error) {
	for i := range f.groups {
		if g := &f.groups[i]; t < g.first || t > g.last {
			continue
		}
		if err := f.readTimes(i); err != nil {
			return 0, false, err
		}
		if k := slices.Index(f.times, t); k >= 0 {
			return f.groups[i].row + int64(k), true, nil
		}
	}
	return 0, false, nil
}

// readTimes reads the times of a group: one column, where rows have many.
func (f *Finder[T]) readTimes(group int) error {
	if f.timesOf == group {
		return nil
	}
	f.timesOf = -1
	g := &f.groups[group]
	f.times = resized(f.times, int(g.group.NumRows()))
	_, err := guard(func() (struct{}, error) { return struct{}{}, g.numbers(timeColumn, f.times) })
	if err != nil {
		return fmt.Errorf("%s: %w", g.name, spoiled(err))
	}
	f.timesOf = group
	return nil
}

// Close releases the files.
func (f *Finder[T]) Close() (err error) {
	for _, p := range f.parts {
		err = errors.Join(err, p.close())
	}
	return err
}

func (k kind[T, S]) find(path string) (found[T], Metadata, error) {
	f, pf, m, err := k.file(path)
	if err != nil {
		return found[T]{}, m, err
	}
	return found[T]{name: path, rows: pf.NumRows(), table: pf, read: k.seeking(pf), close: f.Close}, m, nil
}

// seeking reads rows from any number on, without a search where they follow those read
// before.
func (k kind[T, S]) seeking(pf *parquet.File) func(int64, []T) (int, error) {
	const atOnce = 256
	stored := make([]S, atOnce)
	dec := parquet.NewGenericReader[S](pf)
	next := int64(0)
	return func(row int64, dst []T) (int, error) {
		part := stored[:min(len(dst), atOnce)]
		clear(part)
		n, err := guard(func() (int, error) {
			if row != next {
				if err := dec.SeekToRow(row); err != nil {
					return 0, err
				}
			}
			return dec.Read(part)
		})
		next = row + int64(n)
		for i := range n {
			if err := k.load(&part[i], &dst[i]); err != nil {
				return i, err
			}
		}
		return n, spoiled(err)
	}
}
