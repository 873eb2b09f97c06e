package batch

import (
	"cmp"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
)

// Summary is what all recordings of a data set came to, by whatever shards and machines.
type Summary struct {
	Dir        string
	Recordings []*Outcome // worst first
	Failed     int        // of these; they are the first
	Poseless   int        // of these, without any pose; they are the next
	Assessed   int        // of these, against a truth
	Stale      int        // of these, no longer what is told of them
	Missing    []string   // shards that have not, as 3/8, or that nothing of the list has
	Unlisted   []string   // that the list which was run last does not have, in the order of their names
	Labels     []string   // their names
	Cost       Cost
}

// Cost is what the recordings of a data set took that were solved.
type Cost struct {
	ElapsedS  float64 `json:"elapsed_s"` // of single recordings, one after the other
	BytesIn   int64   `json:"bytes_in"`
	BytesOut  int64   `json:"bytes_out"`
	DurationS float64 `json:"recorded_s"`
}

// ErrMissing reports shards of which others know, and that have not ended.
var ErrMissing = errors.New("shards have not ended")

// IsDataSet tells whether a directory is a data set of a batch.
func IsDataSet(dir string) bool {
	info, err := os.Stat(filepath.Join(dir, outcomes))
	return err == nil && info.IsDir()
}

// Summarise reads what became of the recordings of a data set.
func Summarise(dir string) (*Summary, error) {
	if !IsDataSet(dir) {
		return nil, fmt.Errorf("%s: holds no outcomes of recordings: name the data set that batch --out wrote", dir)
	}
	set := &dataSet{dir}
	last, err := set.lastRun()
	if err != nil {
		return nil, err
	}
	s := &Summary{Dir: dir, Missing: last.missing}
	labels, known := map[string]bool{}, newSources()
	err = eachFile(filepath.Join(dir, outcomes), func(name string) error {
		o, err := readOutcome(name)
		if errors.Is(err, fs.ErrNotExist) {
			return nil // it is being solved again
		}
		if err != nil {
			return err
		}
		if o.Error == "" {
			o.Stale = set.stale(o, known)
			if o.Stale == "" && last.failed[o.Recording] {
				o.Stale = "it failed when it was run last, and has the tables of before"
			}
		}
		if o.Stale != "" {
			s.Stale++
		}
		o.Origin, o.Tables = Origin{}, nil // of no use here
		s.Recordings = append(s.Recordings, o)
		for label := range o.Labels {
			labels[label] = true
		}
		if o.Error != "" {
			s.Failed++
			return nil
		}
		if o.NoPose != "" {
			s.Poseless++
		}
		if o.Quality.Accuracy != nil {
			s.Assessed++
		}
		s.Cost.ElapsedS += o.ElapsedS
		s.Cost.BytesIn += o.BytesIn
		s.Cost.BytesOut += o.BytesOut
		s.Cost.DurationS += o.Quality.DurationS
		return nil
	})
	if err != nil {
		return nil, err
	}
	if len(s.Recordings) == 0 {
		return nil, fmt.Errorf("%s: no recording has ended yet: %w: %s", dir, ErrMissing, strings.Join(last.missing[:min(len(last.missing), 20)], ", "))
	}
	for label := range labels {
		s.Labels = append(s.Labels, label)
	}
	slices.Sort(s.Labels)
	slices.SortFunc(s.Recordings, worse)
	s.Unlisted, err = set.unlisted(last, s.Recordings)
	return s, err
}

// worse is below 0 where a is worse than b: what has failed, what has no pose or hardly one, what is no longer
// what is told of it, then by the error against the truth where that is known, by flags and by the estimated error.
func worse(a, b *Outcome) int {
	return cmp.Or(cmp.Compare(b.severity(), a.severity()), cmp.Compare(b.trueError(), a.trueError()),
		cmp.Compare(b.flagged(), a.flagged()), cmp.Compare(b.estimated(), a.estimated()), cmp.Compare(a.Recording, b.Recording))
}

// severity is 4 of what failed, 3 of what has no pose, 2 where most rows have none, as the others may
// be close to the truth, 1 of what is stale, else 0.
func (o *Outcome) severity() int {
	switch q := o.Quality; {
	case q == nil:
		return 4
	case q.Unsolved == q.Rows:
		return 3
	case 2*q.Unsolved > q.Rows:
		return 2
	case o.Stale != "":
		return 1
	}
	return 0
}

// trueError is the rms error of position against the truth [m]; below 0: it is not known.
func (o *Outcome) trueError() float64 {
	if o.Quality == nil || o.Quality.Accuracy == nil {
		return -1
	}
	return o.Quality.Accuracy.PositionRMS
}

// flagged is the share of rows without a pose or with a flag.
func (o *Outcome) flagged() float64 {
	if o.Quality == nil {
		return 1
	}
	return o.Quality.FlaggedShare()
}

func (o *Outcome) estimated() float64 {
	if o.Quality == nil {
		return 0
	}
	return o.Quality.EstimatedM
}

// FlaggedShare is the share of rows with a flag; of those without a pose all have one.
func (q *Quality) FlaggedShare() float64 { return float64(q.Flagged) / float64(max(q.Rows, 1)) }

// inTime are the recordings in the order in which they began, then of their names; not ok
// where a start is not known, or all are the same, as of simulations and of recorders without a clock.
func (s *Summary) inTime() (list []*Outcome, ok bool) {
	list = slices.Clone(s.Recordings)
	slices.SortFunc(list, func(a, b *Outcome) int { return cmp.Compare(a.Recording, b.Recording) })
	for _, o := range list {
		if o.Quality == nil || o.Quality.Start.IsZero() {
			return list, false
		}
	}
	slices.SortStableFunc(list, func(a, b *Outcome) int { return a.Quality.Start.Compare(b.Quality.Start) })
	return list, list[0].Quality.Start.Before(list[len(list)-1].Quality.Start)
}

// eachFile calls each with the JSON files of a directory, in the order of their names.
func eachFile(dir string, each func(name string) error) error {
	entries, err := os.ReadDir(dir)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	for _, e := range entries {
		if strings.HasSuffix(e.Name(), ".json") && !strings.HasPrefix(e.Name(), ".") {
			if err := each(filepath.Join(dir, e.Name())); err != nil {
				return err
			}
		}
	}
	return nil
}
