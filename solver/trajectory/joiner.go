package trajectory

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"

	"tonepose/fieldmodels/rigid"
	"tonepose/solver"
	"tonepose/solver/internal/statistics"
)

// Windows are those of one sensor, wherever they are kept.
type Windows interface {
	Len() int
	// Read makes a frame window i, in memory that the frame has already where it is
	// enough. What was read stays the caller's.
	Read(i int, to *Frame) error
}

// Frames are windows in memory.
type Frames []Frame

// Len is how many there are.
func (f Frames) Len() int { return len(f) }

// Read makes a frame window i.
func (f Frames) Read(i int, to *Frame) error {
	to.Copy(&f[i])
	return nil
}

// Joiner estimates the motion through the windows of a recording and hands it out from
// the first window to the last. Its memory does not grow with their number: windows are
// read some thousand at a time, and a few from all parts of the recording before, from
// which the strengths of the process noise are learnt.
type Joiner struct {
	*tracker
	states []State      // of the frames in memory, as far as they are made
	sides  [][2]float64 // how far they rest on one side only, see side
	inside [2]float64
	margin int     // windows
	piece  int     // of a spline, windows
	knots  float64 // time between those of a spline [s]
	end    float64 // time of the last window [s], of a spline

	// Numbers of frames in memory: the filter went through those before stepped, those
	// before smoothed are smoothed, those before done have their state, of which those
	// before given were handed out.
	stepped, smoothed, done, given int

	lagged *lagged    // of a filter
	begins []estimate // of a smoother, before the first frame of each block
	steps  []kept
	grid   grid // of the spline's part at hand

	last   *rigid.Covariance // of the model's errors, see finish
	broken error
}

// NewJoiner learns what the options leave open. The windows' times must rise.
func NewJoiner(ctx context.Context, s *solver.Solver, w Windows, o Options) (*Joiner, error) {
	o, err := o.withDefaults()
	if err != nil {
		return nil, err
	}
	if o.Spline && w.Len() < order {
		return nil, fmt.Errorf("trajectory: %d windows are too few for a spline: %d are needed", w.Len(), order)
	}
	j := &Joiner{tracker: newTracker(ctx, s, o), piece: splinePiece}
	j.windows = w
	if j.hop, err = hopOf(w); err != nil {
		return nil, err
	}
	if err := j.learn(); err != nil {
		return nil, err
	}
	beyond := max(j.spans[0], j.spans[1])
	switch {
	case o.Spline:
		var last Frame
		if err := w.Read(w.Len()-1, &last); err != nil {
			return nil, err
		}
		j.end, j.knots = last.Time, j.knotsApart()
		beyond = max(beyond, j.knots)
		fallthrough
	case o.Smooth:
		_, j.inside = j.steady(j.hop, 1, j.spans)
		j.steps = make([]kept, block)
	default:
		j.lagged = newLagged(j.tracker)
	}
	// Whole blocks, as smoothing begins at one.
	j.margin = block * int(math.Ceil(spansBeyond*beyond/j.hop/block))
	return j, nil
}

// hopOf is the time from one window to the next [s]: the median of some from all parts.
func hopOf(w Windows) (float64, error) {
	const most = 400
	n := min(most, w.Len()-1)
	var steps []float64
	var fr Frame
	for k := range n {
		var at [2]float64
		for l := range at {
			if err := w.Read(k*(w.Len()-1)/n+l, &fr); err != nil {
				return 0, err
			}
			at[l] = fr.Time
		}
		steps = append(steps, at[1]-at[0])
	}
	if len(steps) == 0 {
		return 0, nil
	}
	return statistics.Median(steps), nil
}

// Track is what was learnt, without states.
func (j *Joiner) Track() *Track {
	return &Track{PositionNoise: j.options.PositionNoise, RotationNoise: j.options.RotationNoise, Knots: j.knots}
}

// Next returns the states of the next windows, in their order, or none after the last.
// The following call overwrites them. After an error, which may be the context's, there
// are none either.
func (j *Joiner) Next() ([]State, error) {
	if j.broken != nil {
		return nil, j.broken
	}
	j.given = j.done
	j.forgetGiven()
	if j.given == j.left() {
		if !j.started {
			j.broken = ErrNoStart
		}
		return nil, j.broken
	}
	var err error
	switch {
	case j.options.Spline:
		err = j.layNext()
	case j.options.Smooth:
		if err = j.smoothTo(j.given + 1); err == nil {
			j.done = j.smoothed
		}
	default:
		err = j.filterTo(j.given + smoothPiece)
	}
	if err == nil {
		err = j.finish(j.states[j.given:j.done])
	}
	if err != nil {
		j.broken = err
		return nil, err
	}
	return j.states[j.given:j.done], nil
}

// left is the number that the frame after the last would have.
func (j *Joiner) left() int { return j.windows.Len() - j.first }

// load reads windows up to number k, or as many as there are.
func (j *Joiner) load(k int) error {
	k = min(k, j.left())
	for i := len(j.frames); i < k; i++ {
		if i == cap(j.frames) {
			j.frames = slices.Grow(j.frames, 1)
		}
		j.frames = j.frames[:i+1] // with the memory of a frame that was there
		if err := j.windows.Read(j.first+i, &j.frames[i]); err != nil {
			return err
		}
		if i > 0 && !(j.frames[i].Time > j.frames[i-1].Time) {
			return fmt.Errorf("trajectory: frame %d at %g s does not follow %g s", j.first+i, j.frames[i].Time, j.frames[i-1].Time)
		}
		j.records, j.states, j.sides = append(j.records, record{}), append(j.states, State{}), append(j.sides, [2]float64{})
	}
	return nil
}

// forget drops the oldest frames.
func (t *tracker) forget(n int) {
	for i := n; i < len(t.frames); i++ {
		t.frames[i-n], t.frames[i] = t.frames[i], t.frames[i-n]
	}
	t.frames = t.frames[:len(t.frames)-n]
	t.records = slices.Delete(t.records, 0, n)
	t.first += n
}

// forgetGiven drops frames that nothing needs any more: whole blocks, when they are many.
func (j *Joiner) forgetGiven() {
	n := j.given - 1 // of which the time is needed
	if j.options.Spline {
		n -= j.margin
	}
	n -= n % block
	if n < smoothPiece/2 {
		return
	}
	j.forget(n)
	j.states, j.sides = slices.Delete(j.states, 0, n), slices.Delete(j.sides, 0, n)
	if len(j.begins) > 0 {
		j.begins = slices.Delete(j.begins, 0, n/block)
	}
	for _, to := range []*int{&j.stepped, &j.smoothed, &j.done, &j.given, &j.grid.from} {
		*to -= n
	}
}

// finish adds the errors of the model to the covariances of states that are complete
// otherwise. A window whose couplings fix no pose has those of the one before it, or else
// of the one after.
func (j *Joiner) finish(states []State) error {
	shared := j.reader.shared
	if shared == nil {
		return nil
	}
	waiting := 0
	for i := range states {
		if err := j.ctx.Err(); err != nil {
			return err
		}
		if states[i].Unknown {
			waiting = i + 1
			continue
		}
		at := j.given + i
		sum, ok, err := shared.contribution(j.frames[at].Couplings, states[i].Pose)
		if err != nil {
			return j.place(at, err)
		}
		if ok {
			j.last = &sum
		}
		for ; j.last != nil && waiting <= i; waiting++ {
			add(&states[waiting].Covariance, j.last)
		}
	}
	return nil
}

// knotsApart is the time between knots: as asked, or so that they leave little; never
// closer than the nodes of a window, which reach into two segments at most.
func (t *tracker) knotsApart() float64 {
	at, _ := t.reader.nodes()
	return max(cmp.Or(t.options.Knots, t.fine()), t.hop/2, 2*at)
}
