package batch

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"maps"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"tonepose/cmd/tonepose/internal/files"
	"tonepose/cmd/tonepose/internal/solve"
	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/multitone/recording"
)

// Claims of runs, beside those of recordings, whose names have no =.
const (
	runClaim  = "=run."
	doorClaim = "=door" // of who looks whether there are others
)

// enter has this run be one of those at work on the data set, until leave is called. A list with
// other labels than the tables have is refused, and so is a run beside one with other options or
// labels: each would take the other's tables for old ones. What processes claimed that have ended
// is taken away, and what they left of it: the list may have it no more.
func (s *dataSet) enter(ctx context.Context, list []Recording, key string) (leave func(), err error) {
	closeDoor, err := s.door(ctx)
	if err != nil {
		return nil, err
	}
	defer closeDoor()
	entries, err := os.ReadDir(filepath.Join(s.dir, claims))
	if err != nil {
		return nil, err
	}
	for _, e := range entries {
		if e.Name() == doorClaim {
			continue
		}
		release, ok, err := files.Claim(filepath.Join(s.dir, claims, e.Name()))
		if ok { // its process has ended
			s.tidy(e.Name())
			release()
			continue
		}
		if other, isRun := strings.CutPrefix(e.Name(), runClaim); err == nil && isRun && !strings.HasPrefix(other, key+".") {
			return nil, fmt.Errorf("%s: another batch is at work in it, with other options, another rig or other labels: wait for its end, or name another data set", s.dir)
		}
	}
	if err := s.checkLabels(list); err != nil {
		return nil, err
	}
	for n := 1; ; n++ {
		leave, ok, err := files.Claim(filepath.Join(s.dir, claims, fmt.Sprintf("%s%s.%d", runClaim, key, n)))
		if ok || err != nil {
			return leave, err
		}
	}
}

// tidy takes away what a run that was killed left of tables that had not appeared yet.
func (s *dataSet) tidy(claim string) {
	name, err := url.PathUnescape(claim)
	if err != nil || strings.HasPrefix(claim, runClaim) {
		return
	}
	p := &tables.Partition{Recording: name}
	for _, table := range solve.Tables {
		dir := filepath.Join(s.dir, p.Dir(table))
		if _, err := os.Stat(dir); err != nil {
			continue
		}
		if b, err := files.Into(dir, true); err == nil {
			b.Abort()
		}
		os.Remove(dir) // fails, rightly, on one that holds a table
	}
}

// door lets one run at a time look who is at work.
func (s *dataSet) door(ctx context.Context) (release func(), err error) {
	for {
		release, ok, err := files.Claim(filepath.Join(s.dir, claims, doorClaim))
		if ok || err != nil {
			return release, err
		}
		select {
		case <-time.After(20 * time.Millisecond):
		case <-ctx.Done():
			return nil, ctx.Err()
		}
	}
}

// runKey is the same of runs that can share a data set: they have the same options, the same
// files for recordings whose list states none, and labels of the same names.
func runKey(list []Recording, o *Options, known *sources) (string, error) {
	options := maps.Clone(o.Options.Options)
	for name, parts := range map[string][]string{"rig": {o.Rig}, "intervals": {o.Intervals}, "baseline": recording.Files(o.Baseline, o.Reading)} {
		delete(options, name)
		for i, file := range parts {
			if file == "" {
				continue
			}
			one, err := known.look(file, true)
			if err != nil {
				return "", err
			}
			options[fmt.Sprintf("%s %d", name, i)] = one.SHA256
		}
	}
	var labels []string
	if len(list) > 0 {
		labels = slices.Sorted(maps.Keys(list[0].labels()))
	}
	return keyOf(options, labels), nil
}

// listKey is the same of shards of one list that a run with this key takes them from.
func listKey(list []Recording, run string) string {
	var rows []any
	for _, rec := range list {
		rows = append(rows, rec.Name, rec.Labels)
	}
	return keyOf(run, rows)
}

func keyOf(parts ...any) string {
	text, err := json.Marshal(parts)
	if err != nil {
		panic(err) // texts always have JSON
	}
	sum := sha256.Sum256(text)
	return hex.EncodeToString(sum[:8])
}
