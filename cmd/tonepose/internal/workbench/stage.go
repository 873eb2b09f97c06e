package workbench

import (
	"context"
	"math"
	"sync"

	"tonepose/cmd/tonepose/internal/bench"
	"tonepose/cmd/tonepose/internal/pyramid"
	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/fieldmodels/mutual"
)

// subject is what the page looks at, a run or a stream, as its rooms ask for it.
type subject interface {
	base() *stage
	// facts are what the page shows of the whole.
	facts() *session
	// shown is one window of one sensor, with all that is kept of it.
	shown(ctx context.Context, sensor int, row pyramid.Row) (*shown, error)
	// phasors calls each with phasors of one channel in a stretch of time, of about so
	// many windows evenly picked, in the order of time, and returns every which window it
	// took.
	phasors(ctx context.Context, channel int, from, to float64, windows int, each func(*tables.Phasor)) (every int, err error)
	// samples are those of a stretch; an error says why there are none.
	samples() (*footage, error)
	// moment completes what is known at a time with what concerns all sensors.
	complete(m *moment)
	close()
}

// stage is what runs and streams have in common.
type stage struct {
	rig    *rig.Rig
	bench  *bench.Bench
	tracks []*track // by sensor

	mu     sync.Mutex // of the roster
	roster roster
}

func newStage(r *rig.Rig, most int) *stage {
	s := &stage{rig: r, bench: bench.New(r)}
	for _, e := range r.Emitters {
		s.roster.emitters = append(s.roster.emitters, e.Name)
	}
	array, err := r.Array()
	for i, sensor := range s.bench.Sensors() {
		m := member{name: sensor.Name, channels: sensor.Channels, coils: sensor.Coils, value: make([]float64, len(r.Emitters)*len(sensor.Coils))}
		if err == nil { // else couplings stand without residuals
			m.model, _ = mutual.New(array, r.Sensor(i))
		}
		s.roster.sensors = append(s.roster.sensors, m)
		s.tracks = append(s.tracks, &track{rows: pyramid.NewRows(columns, most)})
	}
	return s
}

func (s *stage) base() *stage { return s }

// sensorOf is the number of a sensor; −1: there is none of that name.
func (s *stage) sensorOf(name string) int {
	for i := range s.roster.sensors {
		if s.roster.sensors[i].name == name {
			return i
		}
	}
	return -1
}

// at is what is known of all sensors at a time [s]; of one of them where only is not
// negative.
func at(ctx context.Context, of subject, time float64, only int) (*moment, error) {
	s := of.base()
	m := &moment{Time: math.NaN(), Latency: math.NaN(), Sensors: []reading{}, Events: []event{}}
	for i, t := range s.tracks {
		if only >= 0 && i != only {
			continue
		}
		row, ok := t.rows.At(time)
		if !ok {
			continue
		}
		w, err := of.shown(ctx, i, row)
		if err != nil {
			return nil, err
		}
		if w == nil {
			continue
		}
		w.since = t.since(row)
		s.mu.Lock()
		m.Sensors = append(m.Sensors, s.roster.reading(i, w))
		s.mu.Unlock()
		if math.IsNaN(m.Time) || math.Abs(w.pose.Time-time) < math.Abs(m.Time-time) {
			m.Time, m.Duration = w.pose.Time, w.pose.Duration
		}
		if w.pose.Live != nil {
			m.Latency = w.pose.Live.Latency
		}
	}
	of.complete(m)
	return m, nil
}

// since is how long the flags of a row have been what they are [s], as far as the rows
// before it are looked at.
func (t *track) since(row pyramid.Row) float64 {
	const most = 4096
	first, ok := t.rows.Step(row.Time, -most)
	if !ok {
		return 0
	}
	p := t.rows.Pick(first.Time, row.Time, most+1, nil)
	begin := row.Time
	for i := len(p.Flags) - 1; i >= 0 && (p.Flags[i] == row.Flags || p.Time[i] == row.Time); i-- {
		begin = p.Time[i]
	}
	return row.Time - begin
}
