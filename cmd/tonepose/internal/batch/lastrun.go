package batch

import (
	"encoding/json"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"

	"tonepose/cmd/tonepose/internal/tables"
)

// lastRun is what shards came to of the list and the options that were run last.
type lastRun struct {
	missing  []string        // shards that have not ended, as 3/8
	names    map[string]bool // of the recordings of those that have
	failed   map[string]bool // of these, what failed
	nameless bool            // an earlier version did not keep the names
}

// lastRun reads which shards have ended, and finds out which have not.
func (s *dataSet) lastRun() (*lastRun, error) {
	var all []Ended
	var last Ended
	err := eachFile(filepath.Join(s.dir, shards), func(name string) error {
		text, err := os.ReadFile(name)
		if err != nil {
			return err
		}
		var e Ended
		if err := json.Unmarshal(text, &e); err != nil {
			return fmt.Errorf("%s: %w: remove it, and run the shard again", name, err)
		}
		if _, _, err := e.number(); err != nil {
			return fmt.Errorf("%s: shard %q: must be as 3/8: remove it, and run the shard again", name, e.Shard)
		}
		all = append(all, e)
		if e.Ended.After(last.Ended) {
			last = e
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	run := &lastRun{names: map[string]bool{}, failed: map[string]bool{}}
	if len(all) == 0 {
		run.missing = []string{"the whole list"}
		return run, nil
	}
	ended := map[int]bool{}
	_, n, _ := last.number()
	for _, e := range all {
		i, of, _ := e.number()
		if e.List != last.List || of != n {
			continue
		}
		ended[i] = true
		for _, name := range e.Names {
			run.names[name] = true
		}
		for _, name := range e.Failed {
			run.failed[name] = true
		}
		run.nameless = run.nameless || len(e.Names) != e.Recordings
	}
	for i := 1; i <= n; i++ {
		if !ended[i] {
			run.missing = append(run.missing, fmt.Sprintf("%d/%d", i, n))
		}
	}
	return run, nil
}

// unlisted are the names that the data set has besides those of the list that was run last, if
// that has ended: by outcomes, and by tables that none tells of.
func (s *dataSet) unlisted(run *lastRun, told []*Outcome) ([]string, error) {
	if len(run.missing) > 0 || run.nameless {
		return nil, nil
	}
	others := map[string]bool{}
	for _, o := range told {
		others[o.Recording] = true
	}
	entries, err := os.ReadDir(filepath.Join(s.dir, tables.PosesName))
	if err != nil {
		return nil, err
	}
	for _, e := range entries {
		if name, ok := tables.PartitionName(e.Name()); ok && !run.names[name] {
			if _, err := os.Stat(s.file(&tables.Partition{Recording: name}, tables.PosesName)); err == nil {
				others[name] = true
			}
		}
	}
	maps.DeleteFunc(others, func(name string, _ bool) bool { return run.names[name] })
	return slices.Sorted(maps.Keys(others)), nil
}
