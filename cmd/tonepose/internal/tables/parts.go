package tables

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"tonepose/cmd/tonepose/internal/files"
)

// Parts are the tables of a stream without end, in one directory and in parts of some
// seconds each: poses-000001.parquet, poses-000002.parquet and so on. A part is complete
// from the moment it has its name. Rows go to the writers of the Set, as to those of a
// recording's tables; those of one part have one multiple of its length before them:
// which rows share a part depends on their times alone.
type Parts struct {
	*Set
	Earlier Earlier // what the directory held before

	dir     string
	seconds float64 // of a part
	names   []string
	number  int     // of the part at hand or, before it, of the last one
	until   float64 // where the part at hand ends [s]
	open    bool
	made    bool // the directory was not there
	batch   files.Batch
}

// Earlier is what earlier runs left in a directory of parts.
type Earlier struct {
	Parts int       // the highest number; 0: there are none
	Start time.Time // of the first run; zero: not known
	End   float64   // where the last window of poses ends [s]
}

// Append begins the named tables, or goes on with parts that an earlier run of the same
// rig left in dir. A directory that holds anything else is refused, unless force is set.
func Append(dir string, force bool, seconds float64, m Metadata, names ...string) (*Parts, error) {
	p := &Parts{Set: &Set{Metadata: m}, dir: dir, seconds: seconds, names: names}
	if _, err := os.Stat(dir); errors.Is(err, fs.ErrNotExist) {
		p.made = true
	}
	batch, err := files.Into(dir, true) // which takes away what killed runs left
	if err != nil {
		return nil, err
	}
	if err := p.inspect(force); err != nil {
		batch.Abort()
		return nil, err
	}
	if err := batch.Commit(); err != nil { // the directory stays
		return nil, err
	}
	p.number = p.Earlier.Parts
	for _, name := range names {
		k, err := kindOf(name)
		if err != nil {
			return nil, err
		}
		k.begin(p.Set, io.Discard)
	}
	return p, nil
}

// inspect finds out what earlier runs left.
func (p *Parts) inspect(force bool) error {
	entries, err := os.ReadDir(p.dir)
	if err != nil {
		return err
	}
	parts := map[string][]string{}
	for _, e := range entries {
		name := e.Name()
		table, n := partOf(name)
		whole := slices.Contains(tableNames(), strings.TrimSuffix(name, ".parquet"))
		switch {
		case files.Unfinished(name):
			return fmt.Errorf("%s: another run is writing into it (%s): name another directory, or wait for its end", p.dir, name)
		case whole:
			return fmt.Errorf("%s: holds %s, of a whole recording: name another directory for the parts of a stream", p.dir, name)
		case n == 0 && !force:
			return fmt.Errorf("%s: holds %s, no part of a stream: name another directory, or add --force to write beside it", p.dir, name)
		}
		p.Earlier.Parts = max(p.Earlier.Parts, n)
		if n > 0 {
			parts[table] = append(parts[table], filepath.Join(p.dir, name))
		}
	}
	for table, list := range parts {
		byNumber(list)
		var err error
		switch table {
		case PosesName:
			err = earlier(p, list, func(r *Pose) float64 { return r.Time + r.Duration/2 })
		case DemodulatedName:
			err = earlier(p, list, func(r *Demodulated) float64 { return r.Time + r.Duration/2 })
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// earlier finds out when earlier runs began and ended by the parts of one table.
func earlier[T Row](p *Parts, parts []string, end func(*T) float64) error {
	first, err := Open[T](parts[0])
	if err != nil {
		return err
	}
	defer first.Close()
	if first.Metadata.Rig != p.Metadata.Rig {
		return fmt.Errorf("%s: the parts in it were made with another rig file: name another directory", p.dir)
	}
	p.Earlier.Start = first.Metadata.Recording.Start
	last, err := Open[T](parts[len(parts)-1])
	if err != nil {
		return err
	}
	defer last.Close()
	for row, err := range last.All() {
		if err != nil {
			return err
		}
		p.Earlier.End = max(p.Earlier.End, end(&row))
	}
	return nil
}

// Turn ends the part at hand where a time [s] lies beyond it, and begins that of this
// time. It is called before rows of a time are written; times rise.
func (p *Parts) Turn(t float64) error {
	if p.open && t < p.until {
		return nil
	}
	if err := p.Close(); err != nil {
		return err
	}
	p.number++
	p.until = p.seconds * float64(int64(t/p.seconds)+1)
	p.batch = files.Batch{}
	for i, name := range p.names {
		out, err := p.batch.Create(filepath.Join(p.dir, fmt.Sprintf("%s-%06d.parquet", name, p.number)))
		if err != nil {
			p.batch.Abort()
			return err
		}
		p.writers[i].restart(out)
	}
	p.open = true
	return nil
}

// Close completes the part at hand, if there is one, and gives its tables their names.
func (p *Parts) Close() error {
	if !p.open {
		return nil
	}
	p.open = false
	defer p.batch.Abort()
	for _, w := range p.writers {
		if err := w.finish(p.Metadata); err != nil {
			return err
		}
	}
	return p.batch.Commit()
}

// Written is how many parts this run has completed.
func (p *Parts) Written() int {
	if p.open {
		return p.number - 1 - p.Earlier.Parts
	}
	return p.number - p.Earlier.Parts
}

// Abort discards the part at hand, and the directory if it is new and holds nothing.
// After Close it does nothing else, so it can be deferred.
func (p *Parts) Abort() {
	if p == nil {
		return
	}
	if p.open {
		p.open = false
		p.number--
		p.batch.Abort()
	}
	if p.made {
		os.Remove(p.dir) // fails, rightly, on one with parts
	}
}

// filesOf are the files of a table: the one that has its name or else its parts, in their
// order. The directory of a partition stands for all tables of its recording. What a killed run has half replaced is as it was before.
func filesOf(path string) (parts []string, err error) {
	if err := files.Settle(filepath.Dir(path)); err != nil {
		return nil, err
	}
	name, ok := strings.CutSuffix(filepath.Base(path), ".parquet")
	if _, err := os.Lstat(path); err == nil || !ok {
		return []string{path}, nil
	}
	dir := filepath.Dir(path)
	if part, ok := partitionFile(dir, name); ok {
		return []string{part}, files.Settle(filepath.Dir(part))
	}
	entries, err := os.ReadDir(dir)
	if err != nil {
		return []string{path}, nil
	}
	for _, e := range entries {
		if table, _ := partOf(e.Name()); table == name {
			parts = append(parts, filepath.Join(dir, e.Name()))
		}
	}
	if parts == nil {
		return []string{path}, nil
	}
	byNumber(parts)
	return parts, nil
}

// partOf is the table and the number that a file's name states, as poses and 12 of
// poses-000012.parquet; 0: it is no part.
func partOf(file string) (table string, number int) {
	stem, ok := strings.CutSuffix(file, ".parquet")
	i := strings.LastIndexByte(stem, '-')
	if !ok || i <= 0 || len(stem)-i-1 < 6 || strings.Trim(stem[i+1:], "0123456789") != "" {
		return "", 0
	}
	n, err := strconv.Atoi(stem[i+1:])
	if err != nil || !slices.Contains(tableNames(), stem[:i]) {
		return "", 0
	}
	return stem[:i], n
}

// byNumber sorts the parts of one table.
func byNumber(parts []string) {
	number := func(path string) int {
		_, n := partOf(filepath.Base(path))
		return n
	}
	slices.SortFunc(parts, func(a, b string) int { return number(a) - number(b) })
}
