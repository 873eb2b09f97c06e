// Package subject is what the page of the workbench looks at: a run, read from its tables
// and its recording, or a stream, which an engine follows.
//
//	OpenRun, Run.Prepare ────┐
//	OpenStream, Stream.Run ──┴→ Subject: Facts, Shown, Phasors, Samples → At, footage.Footage, Resolver
//
// A Subject keeps a Track of every sensor, from which series are drawn, and finds single
// windows in the tables or in the ring of the newest windows. It knows no HTTP; its words
// and grades are those that the rooms of the page show.
package subject

import (
	"context"
	"fmt"
	"math"
	"sync"

	"tonepose/cmd/tonepose/internal/bench"
	"tonepose/cmd/tonepose/internal/footage"
	"tonepose/cmd/tonepose/internal/pyramid"
	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/fieldmodels/mutual"
)

// The kinds of news of a subject.
const (
	SessionNews = "session" // the whole
	StateNews   = "state"   // a window of a stream
	SourceNews  = "source"  // how it stands with its samples
)

// Subject is what the page looks at, a run or a stream, as its rooms ask for it.
type Subject interface {
	Base() *Stage
	// Facts are what the page shows of the whole.
	Facts() *Session
	// Shown is one window of one sensor, with all that is kept of it.
	Shown(ctx context.Context, sensor int, row pyramid.Row) (*Shown, error)
	// Phasors calls each with phasors of one channel in a stretch of time, of about so
	// many windows evenly picked, in the order of time, and returns every which window it
	// took.
	Phasors(ctx context.Context, channel int, from, to float64, windows int, each func(*tables.Phasor)) (every int, err error)
	// Samples are those of a stretch; an error says why there are none.
	Samples() (*footage.Footage, error)
	// moment completes what is known at a time with what concerns all sensors.
	complete(m *Moment)
	Close()
}

// Mistake is what was asked for and cannot be, with what can.
type Mistake struct{ Text, Mend string }

func (m *Mistake) Error() string { return m.Text }

func mistaken(mend, format string, values ...any) error {
	return &Mistake{fmt.Sprintf(format, values...), mend}
}

// ErrLater is the answer to what is not known yet.
var ErrLater = footage.ErrLater

// Stage is what runs and streams have in common.
type Stage struct {
	Rig    *rig.Rig
	Bench  *bench.Bench
	Tracks []*Track // by sensor

	mu     sync.Mutex // of the roster
	Roster Roster
}

func newStage(r *rig.Rig, most int) *Stage {
	s := &Stage{Rig: r, Bench: bench.New(r)}
	for _, e := range r.Emitters {
		s.Roster.Emitters = append(s.Roster.Emitters, e.Name)
	}
	array, err := r.Array()
	for i, sensor := range s.Bench.Sensors() {
		m := member{name: sensor.Name, channels: sensor.Channels, coils: sensor.Coils, value: make([]float64, len(r.Emitters)*len(sensor.Coils))}
		if err == nil { // else couplings stand without residuals
			m.model, _ = mutual.New(array, r.Sensor(i))
		}
		s.Roster.sensors = append(s.Roster.sensors, m)
		s.Tracks = append(s.Tracks, &Track{Rows: pyramid.NewRows(Columns, most)})
	}
	return s
}

// Base is what all subjects have.
func (s *Stage) Base() *Stage { return s }

// sensorOf is the number of a sensor; −1: there is none of that name.
func (s *Stage) sensorOf(name string) int {
	for i := range s.Roster.sensors {
		if s.Roster.sensors[i].name == name {
			return i
		}
	}
	return -1
}

// Read is one window of a sensor as the page shows it.
func (s *Stage) Read(sensor int, w *Shown) Reading {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.Roster.reading(sensor, w)
}

// At is what is known of all sensors at a time [s]; of one of them where only is not
// negative.
func At(ctx context.Context, of Subject, time float64, only int) (*Moment, error) {
	s := of.Base()
	m := &Moment{Time: math.NaN(), Latency: math.NaN(), Sensors: []Reading{}, Events: []event{}}
	for i, t := range s.Tracks {
		if only >= 0 && i != only {
			continue
		}
		row, ok := t.Rows.At(time)
		if !ok {
			continue
		}
		w, err := of.Shown(ctx, i, row)
		if err != nil {
			return nil, err
		}
		if w == nil {
			continue
		}
		w.since = t.since(row)
		m.Sensors = append(m.Sensors, s.Read(i, w))
		if math.IsNaN(m.Time) || math.Abs(w.Pose.Time-time) < math.Abs(m.Time-time) {
			m.Time, m.Duration = w.Pose.Time, w.Pose.Duration
		}
		if w.Pose.Live != nil {
			m.Latency = w.Pose.Live.Latency
		}
	}
	of.complete(m)
	return m, nil
}

// since is how long the flags of a row have been what they are [s], as far as the rows
// before it are looked at.
func (t *Track) since(row pyramid.Row) float64 {
	const most = 4096
	first, ok := t.Rows.Step(row.Time, -most)
	if !ok {
		return 0
	}
	p := t.Rows.Pick(first.Time, row.Time, most+1, nil)
	begin := row.Time
	for i := len(p.Flags) - 1; i >= 0 && (p.Flags[i] == row.Flags || p.Time[i] == row.Time); i-- {
		begin = p.Time[i]
	}
	return row.Time - begin
}
