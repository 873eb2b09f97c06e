package batch

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"tonepose/cmd/tonepose/internal/files"
)

// Shard is a part of a list: number Index, from 0, of Count. The zero value is all of it.
type Shard struct{ Index, Count int }

// String names it as people count: 1/8 is the first of eight.
func (s Shard) String() string { return fmt.Sprintf("%d/%d", s.Index+1, max(s.Count, 1)) }

// of is the part of a list: every Count-th row, so that rows that are alike and stand
// together are spread over the shards.
func (s Shard) of(list []Recording) (part []Recording) {
	for i := s.Index; i < len(list); i += max(s.Count, 1) {
		part = append(part, list[i])
	}
	return part
}

// ShardOf is the shard that a scheduler means this process to take, by the variables that it
// sets, and what it knows it from; none: the whole list. count is how many shards there are,
// where this was stated, else 0.
//
// Tasks of a Slurm array (sbatch --array) are numbered; without a count their number, the
// first and the step tell the shard, so they must be an unbroken row. Pods of an indexed
// Kubernetes job are numbered from 0, and nothing tells them how many there are. With a count
// both are numbers of shards from 0, so that single ones can be run again.
func ShardOf(count int, variable func(string) string) (s Shard, from string, err error) {
	number := func(name string) int {
		n, bad := strconv.Atoi(variable(name))
		if bad != nil && err == nil {
			err = fmt.Errorf("%s = %q: must be a whole number", name, variable(name))
		}
		return n
	}
	const task, pod = "SLURM_ARRAY_TASK_ID", "JOB_COMPLETION_INDEX"
	switch {
	case variable(task) != "" && count == 0:
		from, s.Count = task, number("SLURM_ARRAY_TASK_COUNT")
		every := 1
		if variable("SLURM_ARRAY_TASK_STEP") != "" {
			every = max(1, number("SLURM_ARRAY_TASK_STEP"))
		}
		after := number(task) - number("SLURM_ARRAY_TASK_MIN")
		if s.Index = after / every; after%every != 0 {
			s.Index = -1
		}
	case variable(task) != "":
		from, s = task, Shard{number(task), count}
	case variable(pod) != "" && count == 0:
		return s, pod, fmt.Errorf("%s is set, but not how many there are: add --shards, the completions of the job", pod)
	case variable(pod) != "":
		from, s = pod, Shard{number(pod), count}
	case count > 0:
		return s, "", errors.New("--shards says how many, but not which one this is: add --shard, or leave it out")
	}
	if err == nil && from != "" && (s.Index < 0 || s.Index >= s.Count) {
		err = fmt.Errorf("%s = %s is none of %d shards: number the tasks from 0 without gaps, and state --shards where only some of them run", from, variable(from), s.Count)
	}
	return s, from, err
}

// Processors are those that a scheduler gives this process, of so many that it sees: Slurm's
// tasks see all of the machine.
func Processors(seen int, variable func(string) string) int {
	for _, name := range []string{"SLURM_CPUS_PER_TASK", "SLURM_CPUS_ON_NODE"} {
		if n, err := strconv.Atoi(variable(name)); err == nil && n > 0 {
			return min(n, seen)
		}
	}
	return seen
}

// Ended is what a shard came to, kept in the data set once none of its recordings is left.
type Ended struct {
	Shard      string    `json:"shard"`          // as 3/8
	List       string    `json:"list,omitempty"` // the same of shards of one list, solved in the same way
	Recordings int       `json:"recordings"`
	Names      []string  `json:"names,omitempty"` // of them
	Failed     []string  `json:"failed,omitempty"`
	Ended      time.Time `json:"ended"`
}

const shards = "shards"

// number is the shard's, from 1, and how many there are.
func (e *Ended) number() (i, n int, err error) {
	_, err = fmt.Sscanf(e.Shard, "%d/%d", &i, &n)
	return i, n, err
}

func (s *dataSet) endedFile(shard Shard) string {
	return filepath.Join(s.dir, shards, fmt.Sprintf("%d-of-%d.json", shard.Index+1, max(shard.Count, 1)))
}

// begun takes away what a shard came to before: it has not ended until it has again. So it is with
// shards of another number, as who divides a list anew goes through all of it anew.
func (s *dataSet) begun(shard Shard) error {
	same := fmt.Sprintf("-of-%d.json", max(shard.Count, 1))
	return eachFile(filepath.Join(s.dir, shards), func(name string) error {
		if name != s.endedFile(shard) && strings.HasSuffix(name, same) {
			return nil
		}
		if err := os.Remove(name); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return err
		}
		return nil
	})
}

// ended keeps what a shard of a list came to.
func (s *dataSet) ended(shard Shard, list string, part []Recording, r *Result) error {
	e := Ended{Shard: shard.String(), List: list, Recordings: r.Recordings, Ended: time.Now().UTC()}
	for _, rec := range part {
		e.Names = append(e.Names, rec.Name)
	}
	for _, f := range r.Failed {
		e.Failed = append(e.Failed, f.Recording)
	}
	text, err := json.MarshalIndent(e, "", "  ")
	if err != nil {
		return err
	}
	return files.WriteFile(s.endedFile(shard), append(text, '\n'))
}
