package trajectory

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"

	"tonepose/fieldmodels/rigid"
	"tonepose/solver"
)

// Follower joins the windows of a stream as they come. The estimate at a window rests on
// all windows up to it and on those that follow within a lag: with no lag it is the
// filter's.
//
// The filter's estimate at the newest window n is carried back by the smoother's own
// steps, no further than the lag reaches, L windows. What comes out at n − L is the
// mean of the state there given all windows up to n, exactly as far as the filter's is:
// each step back from k + 1 to k needs nothing but the filter at k and what is known at
// k + 1, and at n the filter knows all. The same estimate comes from a filter of the last
// L + 1 states as one long state (Moore 1973), of which a step costs (L + 1)³; steps back
// cost L. An estimate's variance falls from the filter's to that of a smoother of the whole
// as the lag grows, within about twice the span over which the smoother averages.
//
// The strengths of the process noise are learnt beside the work from windows that have
// passed, and take effect at a window of which the number was fixed before: the same
// windows give the same states, however long learning takes. When several windows in a row
// are foreign to the motion, the sensor moves otherwise than it did: the strengths rise
// until the windows fit, from the last on that did.
//
// Source: Moore, Discrete-time fixed-lag smoothing algorithms, Automatica 9(2), 1973;
// Rauch, Tung and Striebel as in the package's comment.
type Follower struct {
	solver  *solver.Solver
	options Options
	lag     float64 // [s]
	known   bool    // the strengths are given

	tracker *tracker // its frames are those of the last while
	lagged  *lagged
	frames  []Frame // memory of the tracker's frames
	records []record
	steps   []step // of the last windows, by index modulo their number
	began   bool   // the tracker has strengths
	due     int    // index of the first window that was not handed out
	side    [2]float64
	states  []State

	course   course
	learning chan learnt // nil: nothing is learnt
	ctx      context.Context
	cancel   context.CancelFunc
}

// step is the filter at one window, and by how much the variances of position and rotation
// exceed what it states, where windows overlap.
type step struct {
	kept
	own    [2]float64
	filled bool
}

// course says when strengths are learnt, and when they take effect, in windows.
type course struct {
	stride int // windows apart that share no noise
	since  int // index of the first window that shows the motion at hand
	next   int // windows since then after which learning begins
	effect int // index from which what was learnt is used
}

// learnt is what windows tell of the motion.
type learnt struct {
	position, rotation float64 // strengths
	share              share
	spans              [2]float64
	side               [2]float64
	err                error
}

const (
	// Windows that share no noise from which strengths are learnt: as few as show anything
	// at first, and in the end the parts of learnParts.
	firstWindows, mostWindows = 25, 320
	// mostLag is the longest lag in windows: every window costs as many steps back.
	mostLag = 100
	// strange is how many foreign windows in a row mean another motion: chance alone makes
	// as many of independent ones with Gate³.
	strange = 3
	// stronger is the factor by which strengths then rise, up to strongest times: its sixth
	// root, 1.8, shortens the span of the smoother.
	stronger, strongest = 30.0, 6
)

// NewFollower makes a Follower of windows that begin a hop [s] apart for a lag [s].
func NewFollower(s *solver.Solver, o Options, hop, lag float64) (*Follower, error) {
	o, err := o.withDefaults()
	if err != nil {
		return nil, err
	}
	if !(hop > 0) || !(lag >= 0) {
		return nil, fmt.Errorf("trajectory: a lag of %g s of windows every %g s: must not be negative, windows above zero apart", lag, hop)
	}
	ahead := int(math.Ceil(lag/hop - 1e-6))
	if ahead > mostLag {
		return nil, fmt.Errorf("trajectory: a lag of %g s is %d windows: at most %d, or smooth the recording", lag, ahead, mostLag)
	}
	f := &Follower{solver: s, options: o, lag: lag, known: o.PositionNoise > 0 && o.RotationNoise > 0}
	f.course.stride = strideOf(o.Correlation)
	f.course.next = firstWindows * f.course.stride
	memory := 2 * (mostWindows*f.course.stride + mostLag)
	f.frames, f.records, f.steps = make([]Frame, memory), make([]record, memory), make([]step, ahead+strange+2)
	f.tracker = newTracker(context.Background(), s, o)
	f.tracker.frames = f.frames[:0]
	f.tracker.share = share{of: [2]float64{1, 1}}
	if len(o.Correlation) > 0 {
		f.lagged = &lagged{rho: o.Correlation, hop: hop}
		f.lagged.clear()
	}
	f.side = [2]float64{1, 1}
	if f.known {
		f.began = true
		f.side = f.tracker.sideAt(hop, ahead, f.tracker.spans)
	}
	f.ctx, f.cancel = context.WithCancel(context.Background())
	return f, nil
}

// Close ends what runs beside the work.
func (f *Follower) Close() {
	f.cancel()
	if f.learning != nil {
		<-f.learning
		f.learning = nil
	}
}

// Add takes the next window, of which it keeps copies, and returns the states that are
// complete by now, in their order; the next call overwrites them. A state is Unknown
// while nothing is known of the motion yet.
func (f *Follower) Add(ctx context.Context, fr Frame) ([]State, error) {
	t := f.tracker
	if n := len(t.frames); n > 0 && !(fr.Time > t.frames[n-1].Time) {
		return nil, fmt.Errorf("trajectory: a window at %g s does not follow %g s", fr.Time, t.frames[n-1].Time)
	}
	t.ctx = ctx
	if len(t.frames) == len(f.frames) {
		f.forget(len(f.frames) / 2)
	}
	if f.frames[0].own == nil {
		reserve(f.frames, &fr.Couplings)
	}
	i := len(t.frames)
	f.frames[i].Copy(&fr)
	t.frames, t.records = f.frames[:i+1], f.records[:i+1]
	if err := f.learn(ctx, i); err != nil {
		return nil, err
	}
	if f.began {
		if err := f.step(i); err != nil {
			return nil, t.place(i, err)
		}
	}
	to := f.due
	for to <= i && t.frames[to].Time <= fr.Time-f.lag+1e-9 {
		to++
	}
	return f.complete(i, to)
}

// Flush returns the states of the last windows, after which none come.
func (f *Follower) Flush() ([]State, error) {
	n := len(f.tracker.frames)
	return f.complete(n-1, n)
}

// reserve gives frames memory for copies of couplings like these, so that no window
// allocates.
func reserve(frames []Frame, like *solver.Couplings) {
	n, emitters := len(like.Value), len(like.Common)
	memory, poses := make([]float64, len(frames)*(2*n+emitters)), make([]rigid.Pose, len(frames))
	cut := func(n int) []float64 {
		part := memory[:0:n]
		memory = memory[n:]
		return part
	}
	for i := range frames {
		frames[i].Couplings = solver.Couplings{Value: cut(n), Variance: cut(n), Common: cut(emitters)}
		frames[i].own = &poses[i]
	}
}

// forget drops the oldest windows.
func (f *Follower) forget(n int) {
	t := f.tracker
	count := len(t.frames)
	t.forget(n)
	turned := slices.Clone(f.steps)
	for i := max(0, count-len(f.steps)); i < count; i++ {
		f.steps[modulo(i-n, len(f.steps))] = turned[i%len(turned)]
	}
	f.due -= n
	f.course.since = max(0, f.course.since-n)
	f.course.effect -= n
}

func modulo(i, n int) int { return (i%n + n) % n }

func (f *Follower) at(i int) *step { return &f.steps[i%len(f.steps)] }

// step takes in window i, and the foreign ones before it once more where there are too
// many.
func (f *Follower) step(i int) error {
	t := f.tracker
	if err := f.filter(i); err != nil {
		return err
	}
	if t.outage != strange || t.records[i].used == 0 || !f.held(i-strange) {
		return nil
	}
	position, rotation := t.options.PositionNoise, t.options.RotationNoise
	for range strongest {
		t.options.PositionNoise *= stronger
		t.options.RotationNoise *= stronger
		if err := f.again(i); err != nil {
			return err
		}
		if t.outage == 0 {
			f.side, t.share = [2]float64{1, 1}, share{of: [2]float64{1, 1}} // until what is learnt says more
			f.course.since, f.course.next = i, firstWindows*f.course.stride
			if f.known {
				t.options.PositionNoise, t.options.RotationNoise = position, rotation
			}
			return nil
		}
	}
	t.options.PositionNoise, t.options.RotationNoise = position, rotation // no motion explains them
	return f.again(i)
}

// again takes in the last strange windows up to i once more.
func (f *Follower) again(i int) error {
	t := f.tracker
	t.now, t.outage = f.at(i-strange).kept.at, 0
	if f.lagged != nil {
		f.lagged.clear()
		f.lagged.cov, f.lagged.last = t.now.cov, t.frames[i-strange].Time
	}
	for k := i - strange + 1; k <= i; k++ {
		if err := f.filter(k); err != nil {
			return err
		}
	}
	return nil
}

// held tells whether the filter at window i is still there.
func (f *Follower) held(i int) bool {
	return i >= 0 && i > len(f.tracker.frames)-1-len(f.steps) && f.at(i).filled
}

// filter takes in window i.
func (f *Follower) filter(i int) error {
	t, s := f.tracker, f.at(i)
	before := t.now
	if err := t.step(i); err != nil {
		return err
	}
	cov := f.lagged.follow(t, i)
	s.own = [2]float64{1, 1}
	for k := range s.own {
		is, stated := 0.0, 0.0
		for r := 3 * k; r < 3*k+3; r++ {
			is += cov[r][r]
			stated += t.now.cov[r][r]
		}
		if stated > 0 {
			s.own[k] = is / stated
		}
	}
	now := t.now
	if t.now = before; !t.records[i].restarted && !t.records[i].unknown {
		t.repeat(i, &s.kept)
	}
	t.now = now
	s.kept.at, s.filled = now, t.started
	return nil
}

// complete hands out the states of windows before to, window i being the newest.
func (f *Follower) complete(i, to int) ([]State, error) {
	t := f.tracker
	f.states = f.states[:0]
	from := f.due
	if f.due = to; from >= to {
		return nil, nil
	}
	f.states = slices.Grow(f.states, to-from)[:to-from]
	var next estimate
	for k := i; k >= from; k-- {
		if !f.began || !t.started || !f.held(k) {
			if k < to {
				f.states[k-from] = State{Time: t.frames[k].Time, Unknown: true, Passed: true}
			}
			continue
		}
		s := f.at(k)
		if k < i && !t.records[k+1].restarted {
			after := f.at(k + 1)
			e := s.kept.at
			e.back(&after.flow, &after.predicted, &next, t.options.Motion.free())
			next = e
		} else {
			next = s.kept.at
		}
		if k >= to {
			continue
		}
		state := t.state(k, &next)
		if f.lag == 0 || k == i {
			f.scale(&state.Covariance, [2]float64{1, 1}, s.own)
		} else {
			f.scale(&state.Covariance, f.side, s.own)
		}
		if err := f.model(&state, k); err != nil {
			return nil, err
		}
		f.states[k-from] = state
	}
	return f.states, nil
}

// scale makes a covariance what it is: inside of a course by the shares of share, at its
// end by what overlapping windows do to the filter. side is how far a state is at an end.
func (f *Follower) scale(c *rigid.Covariance, side, own [2]float64) {
	for k, of := range f.tracker.share.of {
		by := math.Sqrt(of + (own[k]-of)*side[k])
		for a := 3 * k; a < 3*k+3; a++ {
			for b := range 6 {
				c[a][b] *= by
				c[b][a] *= by
			}
		}
	}
}

// model adds the errors of the field model to a state's covariance.
func (f *Follower) model(s *State, i int) error {
	shared := f.tracker.reader.shared
	if shared == nil || s.Unknown {
		return nil
	}
	sum, ok, err := shared.contribution(f.tracker.frames[i].Couplings, s.Pose)
	if err != nil {
		return f.tracker.place(i, err)
	}
	if ok {
		add(&s.Covariance, &sum)
	}
	return nil
}

// learn begins to learn, and uses what was learnt, where the course says so.
func (f *Follower) learn(ctx context.Context, i int) error {
	t, c := f.tracker, &f.course
	if f.learning != nil && i == c.effect {
		var found learnt
		select {
		case found = <-f.learning:
		case <-ctx.Done():
			return ctx.Err()
		}
		f.learning = nil
		if errors.Is(found.err, ErrNoStart) { // anew, from windows to come
			c.since, c.next = i, firstWindows*c.stride
			return nil
		}
		if found.err != nil {
			return found.err
		}
		t.options.PositionNoise, t.options.RotationNoise = found.position, found.rotation
		t.share, t.spans, f.side = found.share, found.spans, found.side
		if !f.began {
			f.began = true
			// The windows that are there, from as many before those that wait as fill the
			// steps.
			for k := max(0, min(f.due, i-len(f.steps))); k < i; k++ {
				if err := f.step(k); err != nil {
					return err
				}
			}
		}
	}
	if f.learning != nil || i-c.since < c.next {
		return nil
	}
	n := min(i-c.since, mostWindows*c.stride)
	frames := make([]Frame, n)
	reserve(frames, &t.frames[i-n].Couplings)
	for k := range frames {
		frames[k].Copy(&t.frames[i-n+k])
	}
	c.next = min(2*n, n+mostWindows*c.stride/2)
	if n == mostWindows*c.stride {
		c.since, c.next = i-n/2, n // half of them anew
	}
	c.effect = i + max(20, n/5)
	o := f.options
	learning, solver, ahead := make(chan learnt, 1), f.solver.Clone(), len(f.steps)-strange-2
	f.learning = learning
	go func() { learning <- learnFrom(f.ctx, solver, frames, o, ahead) }()
	return nil
}

// learnFrom learns the strengths from windows, for states with so many ahead of them.
func learnFrom(ctx context.Context, s *solver.Solver, frames []Frame, o Options, ahead int) (l learnt) {
	t := newTracker(ctx, s, o)
	t.windows = Frames(frames)
	if t.hop, l.err = hopOf(t.windows); l.err != nil {
		return l
	}
	if l.err = t.learn(); l.err != nil {
		return l
	}
	l.position, l.rotation, l.share, l.spans = t.options.PositionNoise, t.options.RotationNoise, t.share, t.spans
	l.side = t.sideAt(t.hop, ahead, t.spans)
	return l
}

// sideAt is how far states with so many windows ahead of them are at an end, as side
// has it: 1 at the last window, 0 far inside.
func (t *tracker) sideAt(hop float64, ahead int, spans [2]float64) [2]float64 {
	if ahead == 0 || spans[0] == 0 || spans[1] == 0 {
		return [2]float64{1, 1}
	}
	return t.side(t.steady(hop, ahead, spans))
}

// steady is the ratio of a smoother's variances to the filter's where so many windows lie
// ahead, and inside, where many do. It follows from the filter of a sensor at rest in the
// middle of the array, seen as well as the spans of the smoother say.
func (t *tracker) steady(hop float64, ahead int, spans [2]float64) (ratio, inside [2]float64) {
	var o reading
	o.pose = rigid.Identity()
	order := float64(t.options.Motion.free() / 3)
	for k, q := range [2]float64{t.options.PositionNoise, t.options.RotationNoise} {
		// ω_c = (q/S)^(1/2m), S the variance of a reading times the hop
		v := q * math.Pow(spans[k], order) / hop
		for r := 3 * k; r < 3*k+3; r++ {
			o.root[r][r] = 1 / math.Sqrt(v)
		}
	}
	within := min(int(math.Ceil(6*max(spans[0], spans[1])/hop))+ahead, 1000)
	free := *t
	free.axis = nil
	e := free.vague(&o)
	steps := make([]kept, 2*within)
	for i := range steps {
		if i > 0 {
			steps[i].flow = e.predict(hop, free.noise)
			steps[i].predicted = e
		}
		e.absorb(&o, t.bend(), 1)
		steps[i].at = e
	}
	last := len(steps) - 1
	next := steps[last].at
	for back := 1; back <= within; back++ {
		i := last - back
		e := steps[i].at
		e.back(&steps[i+1].flow, &steps[i+1].predicted, &next, t.options.Motion.free())
		next = e
		inside = free.ratio(&next, &steps[i].at)
		if back == ahead {
			ratio = inside
		}
	}
	return ratio, inside
}

// strideOf is how many windows lie from one to the next that shares hardly any noise with it.
func strideOf(correlation []float64) int {
	stride := 1
	for l, rho := range correlation {
		if rho > 0.05 { // 1 + 2ρ of a variance
			stride = l + 2
		}
	}
	return stride
}

// clear begins with readings that share nothing with those before.
func (n *lagged) clear() { n.cross = make([]matrix, len(n.rho)+1) }
