package batch

import (
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"tonepose/cmd/tonepose/internal/files"
	"tonepose/cmd/tonepose/internal/solve"
	"tonepose/cmd/tonepose/internal/tables"
)

// dataSet is a directory with the tables of many recordings:
//
//	poses/recording=NAME/part-0.parquet     and so on for each table
//	outcomes/NAME.json                      what became of a recording
//	shards/3-of-8.json                      what a shard came to
//	claims/NAME                             locked by who works on a recording
//	claims/=run.KEY.1                       locked by a run with the options and labels of KEY
type dataSet struct{ dir string }

const (
	outcomes = "outcomes"
	claims   = "claims"
)

// Outcome is what became of a recording.
type Outcome struct {
	Recording string            `json:"recording"` // its name
	File      string            `json:"file"`      // as it was given
	Labels    map[string]string `json:"labels,omitempty"`
	Error     string            `json:"error,omitempty"`   // why it failed; empty: it is finished
	NoPose    string            `json:"no_pose,omitempty"` // why it has tables, but no pose in them
	Origin    Origin            `json:"origin,omitzero"`   // of no use in a summary
	Ended     time.Time         `json:"ended"`
	ElapsedS  float64           `json:"elapsed_s,omitempty"`
	BytesIn   int64             `json:"bytes_in,omitempty"`  // of the samples
	BytesOut  int64             `json:"bytes_out,omitempty"` // of the tables
	Tables    map[string]int64  `json:"tables,omitempty"`    // bytes of each
	Truth     string            `json:"truth,omitempty"`     // file of its known poses
	Stale     string            `json:"stale,omitempty"`     // in a summary: why it is not to be relied on
	Quality   *Quality          `json:"quality,omitempty"`   // nil: it failed
}

// open makes the directories of a data set that are not there. A directory that holds something
// else is refused.
func open(dir string) (*dataSet, error) {
	if info, err := os.Stat(dir); err == nil && !info.IsDir() {
		return nil, fmt.Errorf("%s: is a file: must be a directory", dir)
	}
	entries, err := os.ReadDir(dir)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return nil, err
	}
	s := &dataSet{dir}
	if _, err := os.Stat(filepath.Join(dir, outcomes)); err != nil && len(entries) > 0 {
		return nil, fmt.Errorf("%s: holds %s, and is no data set: name another directory", dir, entries[0].Name())
	}
	// First that by which a data set is known. Who may write into them is for the umask to say: a
	// group may share a data set.
	for _, name := range append([]string{outcomes, shards, claims}, solve.Tables...) {
		if err := os.MkdirAll(filepath.Join(dir, name), 0o777); err != nil {
			return nil, err
		}
	}
	return s, nil
}

// checkLabels refuses a list with other labels than those of the tables that are there: all
// have the same, so that one outcome tells.
func (s *dataSet) checkLabels(list []Recording) error {
	if len(list) == 0 {
		return nil
	}
	var there *Outcome
	found := errors.New("found")
	err := eachFile(filepath.Join(s.dir, outcomes), func(name string) error {
		o, err := readOutcome(name)
		if err != nil || o.Error != "" {
			return nil // no table of it counts
		}
		there = o
		return found
	})
	if there == nil {
		return err
	}
	have, want := slices.Sorted(maps.Keys(there.Labels)), slices.Sorted(maps.Keys(list[0].labels()))
	if slices.Equal(have, want) {
		return nil
	}
	say := func(names []string) string { return cmp.Or(strings.Join(names, ", "), "none") }
	return fmt.Errorf("%s: its tables have the labels %s, those of %s are %s: all tables of a data set have the same columns: name another data set, or the same labels",
		s.dir, say(have), list[0].At(), say(want))
}

func (s *dataSet) outcomeFile(name string) string {
	return filepath.Join(s.dir, outcomes, tables.EscapePartition(name)+".json")
}

// outcome reads what became of a recording; nil: nothing yet, or what cannot be read.
func (s *dataSet) outcome(name string) (*Outcome, error) {
	o, err := readOutcome(s.outcomeFile(name))
	if errors.Is(err, fs.ErrNotExist) || errors.Is(err, errDamaged) {
		return nil, nil
	}
	return o, err
}

var errDamaged = errors.New("no outcome of a recording")

func readOutcome(file string) (*Outcome, error) {
	text, err := os.ReadFile(file)
	if err != nil {
		return nil, err
	}
	var o Outcome
	if err := json.Unmarshal(text, &o); err != nil || o.Recording == "" || (o.Error == "") != (o.Quality != nil) {
		return nil, fmt.Errorf("%s: %w: remove it, and run the batch again", file, errDamaged)
	}
	return &o, nil
}

// keep writes an outcome, after the tables that it tells of.
func (s *dataSet) keep(o *Outcome) error {
	text, err := json.MarshalIndent(o, "", "  ")
	if err != nil {
		return err
	}
	return files.WriteFile(s.outcomeFile(o.Recording), append(text, '\n'))
}

// claim has this process be the only one that works on a recording.
func (s *dataSet) claim(name string) (release func(), ok bool, err error) {
	return files.Claim(filepath.Join(s.dir, claims, tables.EscapePartition(name)))
}

// forget takes an outcome away.
func (s *dataSet) forget(name string) error {
	if err := os.Remove(s.outcomeFile(name)); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	return nil
}

func (s *dataSet) file(p *tables.Partition, table string) string {
	return filepath.Join(s.dir, p.File(table))
}

// drop takes a partition away.
func (s *dataSet) drop(p *tables.Partition) error {
	var failed error
	for _, table := range solve.Tables {
		failed = errors.Join(failed, os.RemoveAll(filepath.Join(s.dir, p.Dir(table))))
	}
	return failed
}

// sizes are those of a partition's tables, and their sum.
func (s *dataSet) sizes(p *tables.Partition) (each map[string]int64, sum int64) {
	each = map[string]int64{}
	for _, table := range solve.Tables {
		if info, err := os.Stat(s.file(p, table)); err == nil {
			each[table] = info.Size()
			sum += info.Size()
		}
	}
	return each, sum
}
