// Package batch solves many recordings into one data set, on any number of machines: the job
// of the command batch.
//
//	list, folders → Recording → solve.Run → partition of the data set → Outcome
//
// Gather makes one list of recordings of lists and folders. Run takes those of its shard,
// passes over what is finished, and solves the others, one on a processor. The tables of a
// recording are a partition of the data set, which replaces an earlier one whole; after them
// comes its Outcome, a file that says of what and how they were made, and what they are
// worth. A recording that fails leaves an Outcome too, and does not stop the others.
//
// Any number of processes may work on one data set, each on a shard of the list or all on the
// whole of it: who works on a recording has claimed it, and a claim ends with its process.
// Which machine solved what is in no table: the rows are those of one machine.
package batch

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"slices"
	"sync"
	"time"

	"tonepose/cmd/tonepose/internal/assess"
	"tonepose/cmd/tonepose/internal/files"
	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/cmd/tonepose/internal/solve"
	"tonepose/cmd/tonepose/internal/stream"
	"tonepose/cmd/tonepose/internal/tables"
)

// Options says how recordings become a data set.
type Options struct {
	solve.Options       // of each recording; Out is the data set
	Jobs          int   // recordings side by side
	Shard         Shard // of the list; the zero value is all of it
	Retry         bool  // solve again what failed
	Progress      stream.Progress
	Failed        func(*Outcome) // told of each that failed or has no pose when it happens, or is met; nil: nobody is
}

// Result is what a run came to.
type Result struct {
	Recordings int        // of the shard
	Solved     int        // by this run
	Assessed   int        // by this run, of tables that were there, as their truth is another one
	Finished   int        // before it, or by others meanwhile
	Failed     []*Outcome // in the order of the list
	Poseless   []*Outcome // of those that did not fail, without any pose
	Changed    []string   // rigs and other files of several recordings that are not what they were when it began
}

// ErrFailed reports recordings that could not be solved; the others are.
var ErrFailed = errors.New("recordings failed")

// ErrMixed reports that recordings were solved with one file before it changed and with another since.
var ErrMixed = errors.New("changed while the batch was at work")

// ErrFull reports that there is no room for more results: those so far are whole.
var ErrFull = errors.New("no room for more tables")

// Run solves the recordings of a list that are not finished. Its error is of what concerns
// them all.
func Run(ctx context.Context, all []Recording, o Options) (*Result, error) {
	list := o.Shard.of(all)
	if err := checkFiles(list, &o); err != nil {
		return nil, err
	}
	set, err := open(o.Out)
	if err != nil {
		return nil, err
	}
	known := newSources()
	key, err := runKey(all, &o, known)
	if err != nil {
		return nil, err
	}
	shared := known.shared(list, &o)
	leave, err := set.enter(ctx, all, key)
	if err != nil {
		return nil, err
	}
	defer leave()
	if err := set.begun(o.Shard); err != nil {
		return nil, err
	}
	r := &run{options: &o, set: set, sources: known, list: list, begin: time.Now(), troubled: make([]*Outcome, len(list))}
	ctx, stop := context.WithCancelCause(ctx)
	defer stop(nil)
	var workers sync.WaitGroup
	for range max(1, min(o.Jobs, len(list))) {
		workers.Go(func() {
			if err := r.work(ctx); err != nil {
				stop(err)
			}
		})
	}
	workers.Wait()
	if err := context.Cause(ctx); err != nil {
		return nil, err
	}
	out := &Result{Recordings: len(list), Solved: r.solved, Assessed: r.assessed, Finished: r.finished}
	for _, f := range r.troubled {
		switch {
		case f == nil:
		case f.Error != "":
			out.Failed = append(out.Failed, f)
		default:
			out.Poseless = append(out.Poseless, f)
		}
	}
	now := known.shared(list, &o)
	for name, sum := range shared {
		if now[name] != sum {
			out.Changed = append(out.Changed, name)
		}
	}
	if slices.Sort(out.Changed); len(out.Changed) > 0 {
		return out, nil // it has not ended: some are to be solved again
	}
	return out, set.ended(o.Shard, listKey(all, key), list, out)
}

// checkFiles reads each rig file once and looks for each truth, so that a wrong one is not
// found at the thousandth recording.
func checkFiles(list []Recording, o *Options) error {
	seen := map[string]bool{}
	for i := range list {
		at := list[i].rig(o)
		if at == "" {
			return fmt.Errorf("%s: no rig is stated for %s: fill its column rig, or give --rig", list[i].At(), list[i].Recording)
		}
		if truth := list[i].Truth; truth != "" {
			if info, err := os.Stat(truth); err != nil {
				return fmt.Errorf("%s: truth: %w: name a file, or leave the field empty", list[i].At(), err)
			} else if info.IsDir() {
				return fmt.Errorf("%s: truth %s is a directory: name a CSV, or the poses.parquet in it", list[i].At(), truth)
			}
		}
		if seen[at] {
			continue
		}
		seen[at] = true
		if _, err := rig.Load(at, rig.Options{}); err != nil {
			return err
		}
	}
	return nil
}

// run is the work on one list.
type run struct {
	options *Options
	set     *dataSet
	sources *sources
	list    []Recording

	begin time.Time

	mu       sync.Mutex
	begun    int
	waiting  []int // that others work on
	done     int
	solved   int
	assessed int
	finished int
	troubled []*Outcome // that failed or have no pose
}

// work takes recordings until none is left, those last that others work on: what becomes of
// them is seen, and done if they die.
func (r *run) work(ctx context.Context) error {
	for {
		i, waited, ok := r.next()
		if !ok {
			return nil
		}
		if waited {
			select {
			case <-time.After(patience):
			case <-ctx.Done():
			}
		}
		if err := ctx.Err(); err != nil {
			return err
		}
		settled, err := r.settle(ctx, i)
		if err != nil {
			return err
		}
		if !settled {
			r.mu.Lock()
			r.waiting = append(r.waiting, i)
			r.mu.Unlock()
		}
	}
}

// patience is how often is asked what became of a recording that others work on.
const patience = 500 * time.Millisecond

// next is the next recording of the list that nobody here has begun with.
func (r *run) next() (i int, waited, ok bool) {
	r.mu.Lock()
	defer r.mu.Unlock()
	switch {
	case r.begun < len(r.list):
		r.begun++
		return r.begun - 1, false, true
	case len(r.waiting) > 0:
		i, r.waiting = r.waiting[0], r.waiting[1:]
		return i, true, true
	}
	return 0, false, false
}

// settle has a recording finished or failed; false: somebody else works on it. Its error is
// none of the recording.
func (r *run) settle(ctx context.Context, i int) (bool, error) {
	rec := &r.list[i]
	origin, wrong := r.sources.origin(rec, r.options)
	before, err := r.before(rec, origin, wrong)
	if before != nil && r.sources.sameTruth(before, origin, rec) || err != nil {
		r.end(i, before, passedOver)
		return true, err
	}
	release, ok, err := r.set.claim(rec.Name)
	if !ok {
		return false, err
	}
	defer release()
	// It may have been settled since.
	if before, err = r.before(rec, origin, wrong); before != nil && r.sources.sameTruth(before, origin, rec) || err != nil {
		r.end(i, before, passedOver)
		return true, err
	}
	out, what := &Outcome{Recording: rec.Name, File: rec.Recording, Labels: rec.labels(), Truth: rec.truthFile()}, solvedHere
	sound := before != nil && before.Error == ""
	if sound {
		truth, err := rec.truthNow(r.options, before)
		if err != nil { // what stands in the data set was right, and stays there
			out.Error = fmt.Sprintf("%v; its tables, and what was known of them, are kept", err)
			r.end(i, out, assessedHere)
			return true, nil
		}
		// A table that cannot be read is solved again.
		if sound = r.assess(ctx, rec, before, truth) == nil; ctx.Err() != nil {
			return false, ctx.Err()
		}
	}
	switch {
	case sound:
		out, what = before, assessedHere
		out.Truth, out.Origin.Truth = rec.truthFile(), origin.Truth
	case wrong != nil:
		// Tables whose recording is gone can't be made again: a changed option is no reason to take
		// them away.
		if there, err := r.set.outcome(rec.Name); err != nil {
			return false, err
		} else if there != nil && there.Error == "" && r.set.damage(there) == "" {
			out.Error = fmt.Sprintf("%v; its tables, made of other files, options or labels, and what was known of them, are kept", wrong)
			r.end(i, out, solvedHere)
			return true, nil
		}
		out.Error = wrong.Error()
		if err := r.set.drop(&tables.Partition{Recording: rec.Name}); err != nil {
			return false, err
		}
	default:
		out.Origin = *origin
		if err := r.solve(ctx, rec, out); err != nil {
			return false, err
		}
	}
	out.Ended = time.Now().UTC().Truncate(time.Microsecond) // finer ones are text to engines
	if err := r.set.keep(out); err != nil {
		return false, err
	}
	r.end(i, out, what)
	return true, nil
}

// How a run comes to an outcome.
type way int

const (
	passedOver way = iota
	assessedHere
	solvedHere
)

// before is what became of a recording already, if that stands but for its truth; nil: it does not.
func (r *run) before(rec *Recording, origin *Origin, wrong error) (*Outcome, error) {
	out, err := r.set.outcome(rec.Name)
	if err != nil || out == nil {
		return nil, err
	}
	again := out.Error != "" && r.options.Retry && out.Ended.Before(r.begin)
	if again || !r.stands(out, origin, wrong, rec) {
		return nil, nil
	}
	return out, nil
}

// stands tells whether what became of a recording before would become of it now, as far as
// is known of its origin. What is finished stands without its files.
func (r *run) stands(before *Outcome, now *Origin, wrong error, rec *Recording) bool {
	if wrong == nil {
		return r.sources.same(&before.Origin, now, rec, r.options) && r.set.damage(before) == ""
	}
	return errors.Is(wrong, fs.ErrNotExist) && before.Error == "" && before.Origin.Rig == now.Rig && before.Origin.Options == now.Options
}

// solve solves a recording; what hinders it is in the outcome, unless it hinders all.
func (r *run) solve(ctx context.Context, rec *Recording, out *Outcome) error {
	begin := time.Now()
	o := rec.job(r.options)
	// Whatever ends the run before the new tables are whole: the old outcome is not theirs.
	if err := r.set.forget(rec.Name); err != nil {
		return err
	}
	var watched *levels
	o.Watch = func(r *rig.Rig) func(*stream.Measured) {
		watched = newLevels(r)
		return watched.add
	}
	truth, err := rec.truth(ctx, &o) // a wrong one is said before the long job
	var res *solve.Result
	if err == nil {
		res, err = solve.Run(ctx, o)
	}
	if errors.Is(err, solve.ErrNoPose) { // its tables say why
		out.NoPose, err = err.Error(), nil
	}
	if err == nil {
		out.Origin.solved(res.SHA256)
		out.Quality, err = r.set.quality(ctx, o.Partition, res, watched, truth)
	}
	if ctx.Err() != nil {
		return ctx.Err()
	}
	if _, full := files.NoRoom(err); full {
		return fmt.Errorf("%s: %w: free some, and run the batch again for the rest", r.options.Out, ErrFull)
	}
	if err != nil {
		out.Error, out.NoPose = files.Words(err), ""
		return r.set.drop(o.Partition) // of other options, or another recording of this name
	}
	out.BytesIn, out.ElapsedS = res.Info.SizeBytes, time.Since(begin).Seconds()
	out.Tables, out.BytesOut = r.set.sizes(o.Partition)
	return nil
}

// assess holds the poses that are there against their truth as it is now, if there is one.
func (r *run) assess(ctx context.Context, rec *Recording, out *Outcome, truth *assess.Truth) error {
	if truth == nil {
		out.Quality.hold(nil)
		return nil
	}
	tally := assess.NewTally(truth)
	if err := rows(ctx, r.set.file(rec.job(r.options).Partition, tables.PosesName), tally.Add); err != nil {
		return err
	}
	out.Quality.hold(tally)
	return nil
}

// end notes what became of a recording.
func (r *run) end(i int, out *Outcome, what way) {
	if out == nil {
		return
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	if out.Error != "" || out.NoPose != "" {
		r.troubled[i] = out
		if r.options.Failed != nil {
			r.options.Failed(out)
		}
	}
	switch r.done++; {
	case out.Error != "":
	case what == solvedHere:
		r.solved++
	case what == assessedHere:
		r.assessed++
	default:
		r.finished++
	}
	r.options.Progress.Report("recordings", int64(r.done), int64(len(r.list)))
}

// job is the job of solving one recording.
func (rec *Recording) job(o *Options) solve.Options {
	job := o.Options
	job.Progress = nil // several run at once: their number is shown
	job.Recording, job.Rig, job.Baseline = rec.Recording, rec.rig(o), rec.baseline(o)
	if rec.Intervals != "" { // instead of windows
		job.Intervals, job.Windows = rec.Intervals, stream.Windows{Taper: o.Windows.Taper}
	}
	job.Options = maps.Clone(o.Options.Options)
	for name, value := range map[string]string{"rig": job.Rig, "baseline": job.Baseline, "intervals": job.Intervals} {
		if _, ok := job.Options[name]; ok {
			job.Options[name] = value
		}
	}
	job.Partition = &tables.Partition{Recording: rec.Name, Labels: rec.Labels}
	return job
}

// truth reads the known poses of a recording; nil: the list names none.
func (rec *Recording) truth(ctx context.Context, o *solve.Options) (*assess.Truth, error) {
	if rec.Truth == "" {
		return nil, nil
	}
	b, r, err := o.Open(ctx)
	if err != nil {
		return nil, err
	}
	defer r.Close()
	return assess.ReadTruth(rec.Truth, b.Rig(), r.Info().Start)
}

// truthNow reads the known poses of a recording whose poses are there; nil: the list names none.
func (rec *Recording) truthNow(o *Options, out *Outcome) (*assess.Truth, error) {
	if rec.Truth == "" {
		return nil, nil
	}
	bench, err := rig.Load(rec.rig(o), rig.Options{})
	if err != nil {
		return nil, err
	}
	return assess.ReadTruth(rec.Truth, bench, out.Quality.Start)
}

func (rec *Recording) rig(o *Options) string {
	if rec.Rig != "" {
		return rec.Rig
	}
	return o.Rig
}

func (rec *Recording) baseline(o *Options) string {
	if rec.Baseline != "" {
		return rec.Baseline
	}
	return o.Baseline
}

func (rec *Recording) intervals(o *Options) string {
	if rec.Intervals != "" {
		return rec.Intervals
	}
	return o.Intervals
}

func (rec *Recording) labels() map[string]string {
	all := map[string]string{}
	for _, l := range rec.Labels {
		all[l.Name] = l.Value
	}
	return all
}
