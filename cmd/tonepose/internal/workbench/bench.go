package workbench

import (
	"context"
	"encoding/json"
	"net/http"
	"sync"

	"tonepose/cmd/tonepose/internal/engine"
	"tonepose/cmd/tonepose/internal/handbook"
	"tonepose/cmd/tonepose/internal/source"
	"tonepose/cmd/tonepose/internal/subject"
	"tonepose/cmd/tonepose/internal/virtual"
	"tonepose/fieldmodels/rigid"
)

// virtualBench is the virtual bench on the page: the one that is turned, what follows it, and
// the experiment that is under way.
type virtualBench struct {
	ctx  context.Context
	feed *feed

	mu         sync.Mutex
	bench      *virtual.Bench
	follow     *subject.Stream
	end        context.CancelFunc // of both
	done       chan struct{}      // they have ended
	paused     bool
	experiment *handbook.Experiment // nil: none
	at         int                  // step of it
	version    int
}

// benchSeed is that of all that is random on the virtual bench: every start is alike.
const benchSeed = 1

func openBench(ctx context.Context, feed *feed) (*virtualBench, error) {
	b := &virtualBench{ctx: ctx, feed: feed}
	return b, b.build(virtual.AsBuilt)
}

// build makes a variant and begins to follow it, in the place of the one before.
func (b *virtualBench) build(variant string) error {
	ctx, end := context.WithCancel(b.ctx)
	made, err := virtual.New(ctx, variant, benchSeed)
	if err != nil {
		end()
		return err
	}
	b.version += 1000 // of what follows: no version comes twice
	f := subject.NewStream(made.Rig(), subject.Setup{
		Mode: "bench", Name: "virtual bench",
		Open: func(ctx context.Context) (source.Source, error) { return made.Source(ctx), nil },
		How: func() engine.Options {
			windows, mode := made.Measuring()
			return engine.Options{Windows: windows, Clock: mode}
		},
		Truth:   func(sensor int, t float64) (rigid.Pose, bool) { return made.Pose(sensor, t), true },
		Version: b.version,
	}, b.feed.tell)
	b.stop()
	done := make(chan struct{})
	go func() {
		defer close(done)
		f.Run(ctx)
	}()
	b.bench, b.follow, b.end, b.done = made, f, end, done
	return nil
}

func (b *virtualBench) stop() {
	if b.end != nil {
		b.end()
		<-b.done
	}
}

func (b *virtualBench) close() {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.stop()
}

func (b *virtualBench) subject() subject.Subject {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.follow
}

// benchFacts are how the bench stands.
type benchFacts struct {
	Paused     bool             `json:"paused"`
	Knobs      []virtual.Knob   `json:"knobs"`
	Metal      *metalFacts      `json:"metal"`
	Experiment *experimentFacts `json:"experiment"`
}

type metalFacts struct {
	Center [3]float64 `json:"center_m"`
	Radius float64    `json:"radius_m"`
}

type experimentFacts struct {
	ID   string `json:"id"`
	Step int    `json:"step"`
}

func (b *virtualBench) facts() *benchFacts {
	b.mu.Lock()
	defer b.mu.Unlock()
	out := &benchFacts{Paused: b.paused, Knobs: b.bench.Knobs()}
	if s := b.bench.State(); s.Metal {
		out.Metal = &metalFacts{s.MetalPlace, s.MetalRadius}
	}
	if b.experiment != nil {
		out.Experiment = &experimentFacts{b.experiment.ID, b.at}
	}
	return out
}

// turn turns knobs.
func (b *virtualBench) turn(values map[string]json.RawMessage) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.set(values)
}

func (b *virtualBench) set(values map[string]json.RawMessage) error {
	if text, ok := values["variant"]; ok {
		var variant string
		if err := json.Unmarshal(text, &variant); err != nil {
			return bad("must be one of its choices", "variant: %v", err)
		}
		if variant != b.bench.State().Variant {
			if err := b.build(variant); err != nil {
				return bad("must be one of its choices", "%v", err)
			}
			b.paused = false
		}
		delete(values, "variant")
	}
	anew, err := b.bench.Set(values)
	if err != nil {
		return bad("see the knobs of /api/bench", "%v", err)
	}
	if anew {
		b.follow.Again()
	}
	b.feed.tell(benchNews)
	return nil
}

// reset turns all knobs back.
func (b *virtualBench) reset() error {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.back()
}

func (b *virtualBench) back() error {
	b.experiment, b.at = nil, 0
	if b.bench.State().Variant != virtual.AsBuilt {
		b.paused = false
		err := b.build(virtual.AsBuilt)
		b.feed.tell(benchNews)
		return err
	}
	anew, err := b.bench.Reset()
	if anew {
		b.follow.Again()
	}
	b.feed.tell(benchNews)
	return err
}

// pause stops the bench's time, or lets it go on.
func (b *virtualBench) pause(paused bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.paused != paused {
		b.paused = paused
		b.follow.Pause(paused)
	}
	b.feed.tell(benchNews)
}

// begin sets an experiment up; "" ends the one at hand.
func (b *virtualBench) begin(id string) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	if id == "" {
		return b.back()
	}
	for _, e := range handbook.Experiments() {
		if e.ID != id {
			continue
		}
		if err := b.back(); err != nil {
			return err
		}
		if err := b.knobs(e.Setup); err != nil {
			return err
		}
		b.experiment = &e
		return nil
	}
	return bad("choose one of /api/experiments", "no experiment %q", id)
}

// step goes to a step of the experiment, and does it if asked to.
func (b *virtualBench) step(n int, do bool) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.experiment == nil {
		return bad("begin one", "no experiment is under way")
	}
	if n < 0 || n >= len(b.experiment.Steps) {
		return bad("see the experiment's steps", "step %d", n)
	}
	b.at = n
	if do {
		return b.knobs(b.experiment.Steps[n].Set)
	}
	b.feed.tell(benchNews)
	return nil
}

// knobs turns those of an experiment.
func (b *virtualBench) knobs(values map[string]any) error {
	texts := map[string]json.RawMessage{}
	for name, v := range values {
		text, err := json.Marshal(v)
		if err != nil {
			return err
		}
		texts[name] = text
	}
	return b.set(texts)
}

// The answers of the virtual bench.

func (s *server) virtual() (*virtualBench, error) {
	if s.bench == nil {
		return nil, &badRequest{http.StatusConflict, "this page shows no virtual bench", "tonepose workbench without a name opens it"}
	}
	return s.bench, nil
}

func (s *server) knobs(w http.ResponseWriter, _ *http.Request) error {
	b, err := s.virtual()
	if err != nil {
		return err
	}
	return answer(w, b.facts())
}

func (s *server) turn(w http.ResponseWriter, r *http.Request) error {
	b, err := s.virtual()
	if err != nil {
		return err
	}
	var ask struct {
		Set    map[string]json.RawMessage `json:"set"`
		Reset  bool                       `json:"reset"`
		Paused *bool                      `json:"paused"`
	}
	if err := receive(w, r, &ask); err != nil {
		return err
	}
	if ask.Reset {
		err = b.reset()
	}
	if err == nil && ask.Set != nil {
		err = b.turn(ask.Set)
	}
	if err != nil {
		return err
	}
	if ask.Paused != nil {
		b.pause(*ask.Paused)
	}
	return answer(w, b.facts())
}

func (s *server) experiments(w http.ResponseWriter, _ *http.Request) error {
	return answer(w, map[string]any{"experiments": handbook.Experiments()})
}

func (s *server) beginExperiment(w http.ResponseWriter, r *http.Request) error {
	b, err := s.virtual()
	if err != nil {
		return err
	}
	var ask struct {
		ID string `json:"id"`
	}
	if err := receive(w, r, &ask); err != nil {
		return err
	}
	if ask.ID == "" {
		return bad("choose one of /api/experiments", "no experiment is named")
	}
	if err := b.begin(ask.ID); err != nil {
		return err
	}
	return answer(w, b.facts())
}

func (s *server) stepExperiment(w http.ResponseWriter, r *http.Request) error {
	b, err := s.virtual()
	if err != nil {
		return err
	}
	var ask struct {
		Step int  `json:"step"`
		Do   bool `json:"do"`
		Stop bool `json:"stop"`
	}
	if err := receive(w, r, &ask); err != nil {
		return err
	}
	if ask.Stop {
		err = b.begin("")
	} else {
		err = b.step(ask.Step, ask.Do)
	}
	if err != nil {
		return err
	}
	return answer(w, b.facts())
}
