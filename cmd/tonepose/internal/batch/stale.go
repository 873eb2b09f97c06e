package batch

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"tonepose/cmd/tonepose/internal/tables"
)

// ErrStale reports recordings whose truth or tables are not those that their outcomes tell of, or
// whose tables are older than the last run.
var ErrStale = errors.New("recordings are no longer what is told of them")

// truthFile is a recording's truth by a name that holds wherever a summary is asked for; empty: it
// has none.
func (rec *Recording) truthFile() string {
	if abs, err := filepath.Abs(rec.Truth); rec.Truth != "" && err == nil {
		return abs
	}
	return rec.Truth
}

// damage says which table of a recording is not as it was written, by its size; empty: none is.
// Phasors and couplings may have been put aside.
func (s *dataSet) damage(o *Outcome) string {
	p := &tables.Partition{Recording: o.Recording}
	for table, size := range o.Tables {
		info, err := os.Stat(s.file(p, table))
		switch aside := table == tables.PhasorsName || table == tables.CouplingsName; {
		case errors.Is(err, fs.ErrNotExist) && aside:
		case err != nil:
			return fmt.Sprintf("its table of %s is gone", table)
		case info.Size() != size:
			return fmt.Sprintf("its table of %s has %d bytes: %d were written", table, info.Size(), size)
		}
	}
	return ""
}

// stale says why what an outcome tells is not what its files hold by now: its tables, or the
// truth, where that can be seen from here. Empty: it is.
func (s *dataSet) stale(o *Outcome, known *sources) string {
	if words := s.damage(o); words != "" || o.Truth == "" {
		return words
	}
	now, err := known.look(o.Truth, false)
	if err != nil || known.unchanged(o.Origin.Truth, []Source{now}, o.Truth) {
		return ""
	}
	return fmt.Sprintf("its truth %s has changed since", o.Truth)
}
