package subject

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/engine"
	"tonepose/cmd/tonepose/internal/footage"
	"tonepose/cmd/tonepose/internal/pyramid"
	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/cmd/tonepose/internal/source"
	"tonepose/cmd/tonepose/internal/stream"
	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/cmd/tonepose/internal/verdict"
	"tonepose/fieldmodels/rigid"
	"tonepose/multitone/clock"
	"tonepose/multitone/recording"
)

// StreamOptions say which stream is followed, and how.
type StreamOptions struct {
	Name    string // of the source, as live has it; empty: the virtual bench
	Rig     string
	Source  source.Options
	Windows stream.Windows
	Clock   clock.Mode
	Verdict verdict.Options
}

// Stream is a stream as it comes: sessions of an engine, one after the other on the same
// samples.
type Stream struct {
	*Stage
	setup   Setup
	news    func(kind string)
	film    *footage.Footage
	windows *windows

	mu       sync.Mutex // of what follows
	restart  context.CancelCauseFunc
	paused   bool
	state    SourceState
	came     time.Time // the newest window did
	counts   verdict.Counts
	none     int
	doubtful int
	solved   int
	skipped  int
	events   []event
	version  int
	answers  []answered
	answerAt time.Time
	window   float64
	hop      float64
}

// Setup says what is followed, and how.
type Setup struct {
	Mode, Name string
	Open       func(context.Context) (source.Source, error)      // the samples from now on
	How        func() engine.Options                             // of the next session
	Truth      func(sensor int, time float64) (rigid.Pose, bool) // nil: not known
	Version    int                                               // of what is shown, to begin with
}

// SourceState is how it stands with the samples.
type SourceState struct {
	State string    `json:"state"` // running, waiting, capturing, paused, lost or ended
	Text  string    `json:"text"`
	Since time.Time `json:"-"`
	For   float64   `json:"since_s"`
	Takes float64   `json:"takes_s"` // how long it lasts; 0: not known
}

const (
	followRows    = 200_000 // kept of each sensor
	mostEvents    = 20
	answersEvery  = 500 * time.Millisecond
	silentAfter   = time.Second // without a window; longer ones are awaited three times over
	captureSecond = 0.2
)

var errRestart = errors.New("begin anew")

// NewStream prepares to follow samples of a rig; news hears what kind of news there is.
func NewStream(r *rig.Rig, s Setup, news func(kind string)) *Stream {
	f := &Stream{Stage: newStage(r, followRows), setup: s, news: news, version: s.Version}
	f.windows = newWindows(len(r.Emitters), len(r.Channels), f.Roster.sensors)
	return f
}

// OpenStream prepares to follow a source.
func OpenStream(o StreamOptions, news func(kind string)) (*Stream, error) {
	r, err := source.BenchRig(o.Name)
	if o.Rig != "" || r == nil && err == nil {
		r, err = rig.Load(o.Rig, rig.Options{})
	}
	if err != nil {
		return nil, err
	}
	f := NewStream(r, Setup{Mode: "live", Name: o.Name}, news)
	if kind, path, ok := strings.Cut(o.Name, ":"); ok && (kind == "play" || kind == "growing") {
		f.setup.Name = kind + ": " + filepath.Base(path)
	}
	reading := o.Source
	reading.Reading, reading.Instrument = f.Bench.Reading(o.Source.Reading), r.Source
	f.setup.Open = func(ctx context.Context) (source.Source, error) { return source.Open(ctx, o.Name, reading) }
	f.setup.How = func() engine.Options { return engine.Options{Windows: o.Windows, Clock: o.Clock, Verdict: o.Verdict} }
	return f, nil
}

// Run follows the stream until the context ends.
func (f *Stream) Run(ctx context.Context) {
	for ctx.Err() == nil {
		session, cancel := context.WithCancelCause(ctx)
		f.mu.Lock()
		f.restart = cancel
		paused := f.paused
		f.mu.Unlock()
		if paused {
			f.tell("paused", "", 0)
		} else if err := f.session(session); session.Err() == nil {
			if err != nil {
				f.tell("lost", err.Error(), 0)
			} else {
				f.tell("ended", "the source has no more samples", 0)
			}
		}
		<-session.Done() // until it is to begin anew
		cancel(nil)
	}
}

// Pause stops to follow, or goes on.
func (f *Stream) Pause(paused bool) {
	f.mu.Lock()
	f.paused = paused
	f.mu.Unlock()
	f.Again()
}

// Again begins a session anew, with what how and open then say.
func (f *Stream) Again() {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.restart != nil {
		f.restart(errRestart)
	}
}

func (f *Stream) tell(state, text string, takes float64) {
	f.mu.Lock()
	f.state = SourceState{State: state, Text: text, Since: time.Now(), Takes: takes}
	f.mu.Unlock()
	f.news(SourceNews)
}

// Source is how it stands with the samples now.
func (f *Stream) Source() SourceState {
	f.mu.Lock()
	defer f.mu.Unlock()
	state := f.state
	state.For = time.Since(state.Since).Seconds()
	return state
}

// session follows the samples from now on.
func (f *Stream) session(ctx context.Context) error {
	f.tell("waiting", "for samples", 0)
	src, err := f.setup.Open(ctx)
	if err != nil {
		return err
	}
	defer src.Close()
	info := src.Info()
	if err := f.Bench.InVolts(&info); err != nil {
		return err
	}
	f.begin(&info)
	o := f.setup.How()
	o.Causal, o.Event = true, f.event
	hop := o.Windows.Hop
	if o.Windows.LowPass != nil {
		hop, _ = o.Windows.LowPass.Interval(info.SampleRate)
	}
	f.mu.Lock()
	f.window, f.hop = o.Windows.Length, hop
	f.version++
	f.mu.Unlock()
	f.news(SessionNews)
	eng, err := engine.New(f.Bench, o)
	if err != nil {
		return err
	}
	f.tell("capturing", "the clock of the tones", max(captureSecond, o.Windows.Length))
	defer f.listen(max(silentAfter, time.Duration(3*o.Windows.Length*float64(time.Second))))()
	t := f.film.Tap(src)
	offset := float64(f.film.End()) / info.SampleRate
	_, _, err = eng.Run(ctx, &liveTap{t, src}, func(seen *engine.Observation) error {
		f.observe(seen, seen.Time+offset)
		return ctx.Err()
	}, nil)
	if errors.Is(err, io.EOF) {
		err = nil
	}
	return err
}

// listen tells the page when no window has come for so long, until the function that it returns is called.
func (f *Stream) listen(silent time.Duration) (end func()) {
	ended, done := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(done)
		for {
			select {
			case <-ended:
				return
			case <-time.After(silent / 4):
			}
			f.mu.Lock()
			still := f.state.State == "running" && time.Since(f.came) > silent
			if still {
				f.state = SourceState{State: "waiting", Since: f.came}
			}
			f.mu.Unlock()
			if still {
				f.news(SourceNews)
			}
		}
	}()
	return func() {
		close(ended)
		<-done
	}
}

// begin makes room for the samples, once they are known.
func (f *Stream) begin(info *recording.Info) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.film != nil {
		return
	}
	f.film = footage.OfStream(*info)
}

// liveTap is a tap of a source whose samples come while time passes.
type liveTap struct {
	*footage.Tap
	live source.Source
}

func (l *liveTap) Arrived() time.Time { return l.live.Arrived() }
func (l *liveTap) Lost() []stream.Gap { return l.live.Lost() }
func (l *liveTap) Waits() bool        { return l.live.Waits() }

// observe keeps what a window shows. It is called by the engine, which waits.
func (f *Stream) observe(seen *engine.Observation, at float64) {
	late := math.NaN()
	if !seen.Arrived.IsZero() {
		late = time.Since(seen.Arrived).Seconds()
	}
	k := f.windows.add(f.Stage, seen, at, late, f.setup.Truth)
	var row [Columns]float32
	f.mu.Lock()
	f.came = time.Now()
	again := f.state.State != "running"
	if again {
		f.state = SourceState{State: "running", Since: f.came}
	}
	f.skipped += k.skipped
	for i := range k.sensors {
		of := &k.sensors[i]
		if !of.present {
			continue
		}
		var truth *rigid.Pose
		if of.known {
			truth = &of.truth
		}
		fill(&row, &of.row.Pose, &of.worth, truth)
		row[ColumnClear] = float32(k.clear(&f.Roster.sensors[i], len(f.Rig.Channels)))
		marks := marksOf(&of.row.Pose, &of.worth)
		f.Tracks[i].Rows.Append(at, marks, row[:])
		if marks == InDoubt {
			f.doubtful++
		}
		f.counts.Add(of.row.Flags)
		if of.row.Estimate == nil {
			f.none++
		} else {
			f.solved++
		}
	}
	f.mu.Unlock()
	if again {
		f.news(SourceNews)
	}
	f.news(StateNews)
}

func (f *Stream) event(e engine.Event) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if len(f.events) >= mostEvents {
		f.events = slices.Delete(f.events, 0, 1)
	}
	f.events = append(f.events, event{e.Time, e.Text})
}

// Samples are the newest, once the first came.
func (f *Stream) Samples() (*footage.Footage, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.film == nil {
		return nil, ErrLater
	}
	return f.film, nil
}

// Close does nothing: a stream ends with the context of Run.
func (f *Stream) Close() {}

// Shown is one window, of which all is kept for a while, and then what its row has.
func (f *Stream) Shown(_ context.Context, sensor int, row pyramid.Row) (out *Shown, err error) {
	f.windows.each(row.Time, row.Time, func(k *kept) { out = k.shown(f.Stage, sensor) })
	if out == nil {
		out = f.remembered(sensor, row)
	}
	return out, nil
}

// remembered is what the row of a window has.
func (f *Stream) remembered(sensor int, row pyramid.Row) *Shown {
	value := func(c int) float64 { return float64(row.Values[c]) }
	out := &Shown{Pose: tables.Pose{Time: row.Time, Duration: f.window, Sensor: f.Roster.sensors[sensor].name, Chi2: value(ColumnChi2),
		DOF: int(value(ColumnDOF)), Flags: verdict.Flags(row.Flags), Live: &tables.Live{Latency: value(ColumnLatency)}}}
	if x := value(ColumnX); !math.IsNaN(x) {
		out.Pose.Estimate = &rigid.Pose{Rotation: rigid.Exp(r3.Vec{X: value(ColumnRX), Y: value(ColumnRY), Z: value(ColumnRZ)})}
		out.Pose.Estimate.Position = r3.Vec{X: x, Y: value(ColumnY), Z: value(ColumnZ)}
	}
	return out
}

// Phasors hands out those of a channel from the windows that are kept.
func (f *Stream) Phasors(_ context.Context, channel int, from, to float64, count int, each func(*tables.Phasor)) (every int, err error) {
	n := 0
	f.windows.each(from, to, func(*kept) { n++ })
	every, n = max(1, n/max(count, 1)), 0
	f.windows.each(from, to, func(k *kept) {
		if n++; (n-1)%every != 0 {
			return
		}
		for e := range k.hz {
			p := k.row(f.Stage, e, channel)
			each(&p)
		}
	})
	return every, nil
}

// complete adds what concerns the whole stream.
func (f *Stream) complete(m *Moment) {
	f.windows.newest(func(k *kept) { m.Clock = f.clock(k) })
	f.mu.Lock()
	defer f.mu.Unlock()
	m.Solved, m.Skipped = f.solved, f.skipped
	m.Events = append(m.Events, f.events...)
	m.Answers = f.answered()
}

// clock is how far the generator's clock is off by a window.
func (f *Stream) clock(k *kept) *clockState {
	var ppm []float64
	for e, hz := range k.hz {
		ppm = append(ppm, (hz/f.Rig.Emitters[e].ToneHz-1)*1e6)
	}
	v := footage.Median(ppm)
	return &clockState{PPM: v, Sigma: math.NaN(), Captured: true, Text: trueMinus(fmt.Sprintf("%.2f ppm", v))}
}

// Latest is the newest window of all sensors; nil: none yet.
func (f *Stream) Latest() *Moment {
	m := &Moment{Time: math.NaN(), Latency: math.NaN(), Sensors: []Reading{}, Events: []event{}}
	var all []*Shown
	ok := f.windows.newest(func(k *kept) {
		m.Time, m.Duration, m.Latency = k.time, k.duration, k.latency
		for i := range f.Tracks {
			all = append(all, k.shown(f.Stage, i))
		}
	})
	if !ok {
		return nil
	}
	for i, w := range all {
		if w == nil {
			continue
		}
		if row, ok := f.Tracks[i].Rows.At(m.Time); ok {
			w.since = f.Tracks[i].since(row)
		}
		m.Sensors = append(m.Sensors, f.Read(i, w))
	}
	f.complete(m)
	return m
}

// Facts are what the page shows of a stream.
func (f *Stream) Facts() *Session {
	f.mu.Lock()
	defer f.mu.Unlock()
	out := &Session{Mode: f.setup.Mode, Name: f.setup.Name, Version: f.version, Ready: true, Progress: 1, Live: true, Window: f.window, Options: map[string]string{}, Truth: f.setup.Truth != nil}
	f.describe(out)
	out.Hop = f.hop
	out.Start, out.End = math.Inf(1), 0
	for i, t := range f.Tracks {
		if first, last, ok := t.Rows.Span(); ok {
			out.Start, out.End = min(out.Start, first), max(out.End, last)
		}
		out.Sensors[i].HasTruth = f.setup.Truth != nil
	}
	if math.IsInf(out.Start, 1) {
		out.Start = 0
	}
	out.count(&f.counts, f.doubtful)
	out.Unsolved = f.none
	out.Recording = &recordingFacts{Missing: true, Why: "no sample came yet"}
	if f.film != nil {
		out.Recording.Why = ""
		out.Recording.describe(f.film)
		out.Recording.Name = f.setup.Name
	}
	f.windows.newest(func(k *kept) { out.Clock = f.clock(k) })
	out.Facts = append(out.Facts, fact{"rig", f.Rig.Name})
	if out.Clock != nil {
		out.Facts = append(out.Facts, fact{"clock", out.Clock.Text})
	}
	out.Facts = append(out.Facts, fact{"windows", fmt.Sprintf("%d solved, %d skipped", f.solved, f.skipped)})
	out.Answers = f.answered()
	return out
}
