package subject

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"slices"
	"sync"

	"tonepose/cmd/tonepose/internal/assess"
	"tonepose/cmd/tonepose/internal/document"
	"tonepose/cmd/tonepose/internal/footage"
	"tonepose/cmd/tonepose/internal/pyramid"
	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/cmd/tonepose/internal/stream"
	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/cmd/tonepose/internal/verdict"
	"tonepose/fieldmodels/rigid"
	"tonepose/multitone/clock"
	"tonepose/multitone/recording"
)

// Run is a folder that solve or live wrote, with its recording where that is found.
type Run struct {
	*Stage
	dir      string
	Metadata tables.Metadata
	truth    *assess.Truth // nil: not given

	finders   sync.Mutex // of what follows
	tables    Tables
	taken     float64 // time of the rows below; NaN: none
	couplings []tables.Coupling
	phasors   []tables.Phasor
	block     tables.Block // of phasors, for clouds

	phasing *tables.Scan // the phasors by column; nil: the run kept none
	options RunOptions
	reading chan struct{} // one at a time reads the report

	mu       sync.Mutex // of what follows
	read     int64      // rows of poses so far
	counts   verdict.Counts
	none     int     // rows without a pose
	doubtful int     // rows in doubt
	start    float64 // of the first window [s]
	end      float64
	window   float64
	ready    bool
	failed   error
	version  int
	film     *footage.Footage                                 // nil: see why
	why      string                                           // there are no samples
	Reopen   func(context.Context) (*recording.Reader, error) // opens them once more
	findings []document.Finding
	answers  []document.Answer // nil: not yet known
	picked   *picked           // nil: not yet known, or see unpicked
	unpicked error             // why not
	news     func(kind string)

	evidence document.Evidence // for the answers; of Prepare alone
}

// Tables are those of a run; nil: it kept none.
type Tables struct {
	Poses   *tables.Finder[tables.Pose] // always there
	Worth   *tables.Finder[tables.Integrity]
	Coupled *tables.Finder[tables.Coupling]
	Phasing *tables.Finder[tables.Phasor]
}

// Look calls use with the tables of the run, while nobody else reads them.
func (r *Run) Look(use func(*Tables) error) error {
	r.finders.Lock()
	defer r.finders.Unlock()
	return use(&r.tables)
}

// Document reads the report of the run, which takes as long as to read all of its tables
// and its recording. It is not kept: a long run is read for it once in a while, if at all.
func (r *Run) Document(ctx context.Context) (*document.Run, error) {
	select {
	case r.reading <- struct{}{}:
	case <-ctx.Done():
		return nil, ctx.Err()
	}
	defer func() { <-r.reading }()
	return document.ReadRun(ctx, r.dir, document.RunOptions{Truth: cmp.Or(r.options.Truth, "none"), Assess: judging})
}

// judging is how the answers and the report judge errors.
var judging = assess.Options{Resamples: -1, Reach: 0.5, Confidence: 0.95, Seed: 1}

// RunOptions say what a run's page shows beside its tables.
type RunOptions struct {
	Dir       string
	Recording string // file of its samples; empty: sought where the run says
	Reading   recording.Options
	Truth     string // CSV of known poses, or the folder of another run; empty: none
}

// OpenRun opens the tables of a run, which Prepare reads; news hears what kind of news
// there is.
func OpenRun(o RunOptions, news func(kind string)) (*Run, error) {
	path := func(name string) string { return filepath.Join(o.Dir, name+".parquet") }
	poses, err := tables.Find[tables.Pose](path(tables.PosesName))
	if errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("%s: holds no %s.parquet and no parts of one: name the folder that solve or live wrote (--out)", o.Dir, tables.PosesName)
	}
	if err != nil {
		return nil, err
	}
	r := &Run{dir: o.Dir, Metadata: poses.Metadata, tables: Tables{Poses: poses}, news: news, options: o, reading: make(chan struct{}, 1), taken: math.NaN(), start: math.Inf(1), end: math.Inf(-1)}
	name := cmp.Or(poses.Metadata.Options["rig"], filepath.Join(o.Dir, "rig"))
	bench, err := rig.Parse(name, []byte(poses.Metadata.Rig), rig.Options{})
	if err != nil {
		return nil, errors.Join(fmt.Errorf("%s: the rig stored in the table: %w", o.Dir, err), poses.Close())
	}
	r.Stage = newStage(bench, 0)
	if r.tables.Worth, err = findOptional[tables.Integrity](path(tables.IntegrityName)); err == nil {
		if r.tables.Coupled, err = findOptional[tables.Coupling](path(tables.CouplingsName)); err == nil {
			r.tables.Phasing, err = findOptional[tables.Phasor](path(tables.PhasorsName))
		}
	}
	if err == nil && r.tables.Phasing != nil {
		r.phasing, err = tables.OpenScan[tables.Phasor](path(tables.PhasorsName), phasorNumbers, phasorWords)
	}
	if err == nil {
		err = r.extent()
	}
	if err == nil && o.Truth != "" {
		r.truth, err = assess.ReadTruth(o.Truth, r.Rig, r.Metadata.Recording.Start)
	}
	if err != nil {
		r.Close()
		return nil, err
	}
	return r, nil
}

// extent takes the times of the first and of the last row, so that what is read first can
// be drawn in its place.
func (r *Run) extent() error {
	var one [1]tables.Pose
	for _, row := range []int64{0, r.tables.Poses.Rows() - 1} {
		n, err := r.tables.Poses.Read(row, one[:])
		if err != nil {
			return err
		}
		if p := &one[0]; n > 0 {
			r.start, r.end = min(r.start, p.Time-p.Duration/2), max(r.end, p.Time+p.Duration/2)
		}
	}
	return nil
}

func findOptional[T tables.Row](path string) (*tables.Finder[T], error) {
	f, err := tables.Find[T](path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	return f, err
}

// Close closes the tables.
func (r *Run) Close() {
	r.finders.Lock()
	defer r.finders.Unlock()
	r.tables.Poses.Close()
	if r.tables.Worth != nil {
		r.tables.Worth.Close()
	}
	if r.tables.Coupled != nil {
		r.tables.Coupled.Close()
	}
	if r.tables.Phasing != nil {
		r.tables.Phasing.Close()
	}
	if r.phasing != nil {
		r.phasing.Close()
	}
}

// Prepare reads all tables and the recording, and computes what needs all of them.
func (r *Run) Prepare(ctx context.Context, o RunOptions) {
	err := r.index(ctx)
	r.note(func() { r.ready, r.failed = true, err })
	if err != nil {
		return
	}
	r.answer(ctx)
	film, pass, err := r.openRecording(ctx, o)
	r.note(func() { r.film, r.why = film, words(err) })
	if film != nil {
		err := r.survey(ctx, film, pass)
		r.note(func() { r.why = words(err) })
	}
}

// answer answers the five questions, from what the tracks were made of, from the phasors
// and, where the truth is known, from the errors.
func (r *Run) answer(ctx context.Context) {
	picked, levels, err := r.pick(ctx)
	r.note(func() { r.picked, r.unpicked = picked, err })
	if err != nil {
		return
	}
	v := &r.evidence
	v.Emitters = r.Roster.Emitters
	for i, l := range levels {
		v.Sensors[i].Clear, v.Sensors[i].At = l.Clear, l.At
	}
	v.Sensors = slices.DeleteFunc(v.Sensors, func(s *document.SensorEvidence) bool { return s.Rows == 0 })
	if r.truth != nil {
		if v.Assessment, err = assess.Run(ctx, r.dir, r.options.Truth, judging); err != nil {
			return
		}
	}
	answers := v.Answers()
	r.note(func() { r.answers = answers })
}

// note changes what the page shows of the run as a whole.
func (r *Run) note(change func()) {
	r.mu.Lock()
	change()
	r.version++
	r.mu.Unlock()
	r.news(SessionNews)
}

func words(err error) string {
	if err == nil {
		return ""
	}
	return err.Error()
}

// knownAt is where a sensor truly was at a pose; nil: not known.
func (r *Run) knownAt(sensor int, p *tables.Pose) *rigid.Pose {
	known := r.truth
	if known == nil {
		return nil
	}
	if pose, ok := known.At(sensor, p.Time, p.Duration); ok {
		return &pose
	}
	return nil
}

// openRecording finds the samples of a run.
func (r *Run) openRecording(ctx context.Context, o RunOptions) (film *footage.Footage, pass *recording.Reader, err error) {
	names := []string{o.Recording}
	if stored := r.Metadata.Recording.Name; o.Recording == "" {
		base := filepath.Base(stored)
		names = []string{filepath.Join(filepath.Dir(filepath.Clean(r.dir)), base), filepath.Join(r.dir, base), stored}
		if rig := r.Metadata.Options["rig"]; rig != "" {
			names = append(names, filepath.Join(filepath.Dir(rig), base))
		}
	}
	reading := r.Bench.Reading(o.Reading)
	reading.IgnoreHash = true // this reader looks here and there; the pass over all samples verifies
	for _, name := range names {
		if _, err := os.Stat(name); err != nil && o.Recording == "" {
			continue
		}
		reader, err := r.Bench.Open(ctx, name, reading)
		if err != nil {
			return nil, nil, err
		}
		info := reader.Info()
		if want := r.Metadata.Recording.Size; o.Recording == "" && want > 0 && info.SizeBytes != want {
			reader.Close()
			continue
		}
		if pass, err = r.Bench.Open(ctx, name, r.Bench.Reading(o.Reading)); err != nil {
			return nil, nil, errors.Join(err, reader.Close())
		}
		r.Reopen = func(ctx context.Context) (*recording.Reader, error) { return r.Bench.Open(ctx, name, reading) }
		return footage.OfRecording(reader), pass, nil
	}
	return nil, nil, fmt.Errorf("the recording %s was not found beside the run: name it with --recording", r.Metadata.Recording.Name)
}

// mode is what the run took as unknown of the clock.
func (r *Run) mode() clock.Mode {
	switch r.Metadata.Options["clock"] {
	case "each":
		return clock.Each
	case "none":
		return clock.None
	}
	return clock.Common
}

// survey reads the whole recording once, for its pyramid and for what all samples show.
func (r *Run) survey(ctx context.Context, film *footage.Footage, pass *recording.Reader) error {
	defer pass.Close()
	survey, err := stream.ObserveDriven(ctx, film.Tap(pass), r.Bench.Tones(), r.Bench.DriveVolts(), r.mode(), nil)
	film.Learn(survey)
	return err
}

// Samples are those of the recording, where it was found.
func (r *Run) Samples() (*footage.Footage, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.film == nil {
		if r.why == "" {
			return nil, ErrLater
		}
		return nil, errors.New(r.why)
	}
	return r.film, nil
}

func (r *Run) complete(m *Moment) {
	m.Skipped = 0
}

// Shown reads one window from the tables.
func (r *Run) Shown(_ context.Context, sensor int, row pyramid.Row) (*Shown, error) {
	r.finders.Lock()
	defer r.finders.Unlock()
	at := r.Tracks[sensor].inTable(row.Number)
	var pose [1]tables.Pose
	if n, err := r.tables.Poses.Read(at, pose[:]); err != nil || n == 0 {
		return nil, cmp.Or(err, fs.ErrNotExist)
	}
	if pose[0].Time != row.Time { // the rows were put in order meanwhile
		return nil, ErrLater
	}
	out := &Shown{Pose: pose[0], common: map[int]float64{}}
	if r.tables.Worth != nil {
		var worth [1]tables.Integrity
		if n, err := r.tables.Worth.Read(at, worth[:]); err != nil {
			return nil, err
		} else if n > 0 && worth[0].Time == out.Pose.Time && worth[0].Sensor == out.Pose.Sensor {
			out.worth = &worth[0]
		}
	}
	out.truth = r.knownAt(sensor, &out.Pose)
	m := &r.Roster.sensors[sensor]
	if err := r.take(out.Pose.Time); err != nil {
		return nil, err
	}
	for i := range r.couplings {
		if c := &r.couplings[i]; c.Sensor == m.name {
			out.Couplings = append(out.Couplings, *c)
		}
	}
	for i := range r.phasors {
		p := &r.phasors[i]
		if slices.Contains(m.coils, p.Channel) {
			out.phasors = append(out.phasors, *p)
		}
		// The noise of a reference is in all couplings of its emitter.
		e := slices.Index(r.Roster.Emitters, p.Tone)
		if e >= 0 && r.Rig.Emitters[e].Reference != nil && r.Rig.Channels[r.Rig.Emitters[e].Reference.Channel].Name == p.Channel {
			if v := p.Sigma * p.Sigma / (p.InPhase*p.InPhase + p.Quadrature*p.Quadrature); v > 0 && !math.IsInf(v, 0) {
				out.common[e] = v
			}
		}
	}
	return out, nil
}

// take reads couplings and phasors of a time, for the sensors that are asked for one after
// the other.
func (r *Run) take(time float64) (err error) {
	if r.taken == time {
		return nil
	}
	r.taken = math.NaN()
	if r.couplings, err = rowsAt(r.tables.Coupled, time, func(c *tables.Coupling) float64 { return c.Time }, r.couplings); err != nil {
		return err
	}
	if r.phasors, err = rowsAt(r.tables.Phasing, time, func(p *tables.Phasor) float64 { return p.Time }, r.phasors); err != nil {
		return err
	}
	r.taken = time
	return nil
}

// rowsAt are the rows of a table that have a time, in the memory of others. Of intervals,
// which may stand in any order, those beside the first are found.
func rowsAt[T tables.Row](f *tables.Finder[T], time float64, timeOf func(*T) float64, rows []T) ([]T, error) {
	rows = rows[:0]
	if f == nil {
		return rows, nil
	}
	row, ok, err := f.At(time)
	if err != nil || !ok {
		return rows, err
	}
	const atOnce = 64
	for {
		had := len(rows)
		rows = slices.Grow(rows, atOnce)[:had+atOnce]
		n, err := f.Read(row+int64(had), rows[had:])
		if err != nil {
			return rows[:0], err
		}
		for i := range n {
			if timeOf(&rows[had+i]) != time {
				return rows[:had+i], nil
			}
		}
		if rows = rows[:had+n]; n == 0 {
			return rows, nil
		}
	}
}
