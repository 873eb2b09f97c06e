package engine

import (
	"math"
	"math/cmplx"

	"tonepose/cmd/tonepose/internal/stream"
	"tonepose/cmd/tonepose/internal/verdict"
	"tonepose/multitone"
	"tonepose/solver"
	"tonepose/solver/integrity"
)

// line holds the frames whose neighbours tell the path that a sensor took during
// their windows.
type line struct {
	step    int     // frames from one pose of a path to the next; 0: frames stand alone
	spacing float64 // the same [s]
	lag     int     // frames that are waited for
	frames  []*held // oldest first
	at      progress
	used    int // how many of the frames were handed out
	free    []*held
}

// held is a frame with what it tells of each sensor by itself.
type held struct {
	stream.Measured
	frame  multitone.Frame
	wanted []bool
	sensed []Sensed
	found  []*integrity.Finding
	point  []point // by itself
	better []point // less the bend in its own window
}

// begin prepares the line for frames at the options' windows.
func (e *Engine) begin(sampleRate float64) error {
	e.line = line{}
	w := &e.options.Windows
	if e.options.Sharp || !w.Successive() {
		return nil
	}
	hop := w.Hop
	if w.LowPass != nil {
		var err error
		if hop, err = w.LowPass.Interval(sampleRate); err != nil {
			return err
		}
	} else if hop > w.Length*(1+1e-9) {
		return nil // gaps between the windows: what happened there is not known
	}
	weighting, err := weightingOf(w, hop, sampleRate)
	if err != nil {
		return err
	}
	for i := range e.sensors {
		e.sensors[i].bender.weighting = weighting
	}
	e.line.step = weighting.step
	e.line.spacing = float64(e.line.step) * hop
	if !e.options.Causal {
		e.line.lag = reach * e.line.step
	}
	return nil
}

// hold copies a frame into memory of the line.
func (e *Engine) hold(f *stream.Measured) *held {
	var h *held
	if n := len(e.line.free); n > 0 {
		h = e.line.free[n-1]
		e.line.free = e.line.free[:n-1]
	} else {
		h = &held{wanted: make([]bool, len(e.sensors)), found: make([]*integrity.Finding, len(e.sensors)), point: make([]point, len(e.sensors)), better: make([]point, len(e.sensors))}
		for i := range e.sensors {
			v := Sensed{Sensor: i, Couplings: e.coupler.Matrix(i)}
			n := len(v.Couplings.Value)
			v.Fitted = solver.Couplings{Value: make([]float64, n), Variance: make([]float64, n), Common: make([]float64, len(e.tones))}
			h.sensed = append(h.sensed, v)
		}
	}
	channels, lost := append(h.Channels[:0], f.Channels...), append(h.Lost[:0], f.Lost...)
	f.CopyTo(&h.frame)
	h.Measured = *f
	h.Frame, h.Channels, h.Lost = &h.frame, channels, lost
	return h
}

// unbend takes the motion during a frame's window out of the point that paths of one
// sensor go through. So many frames are known.
func (e *Engine) unbend(frame, known, i int) {
	h := e.line.frames[frame]
	if h.better[i] = h.point[i]; !h.wanted[i] || e.line.step == 0 || !h.point[i].good {
		return
	}
	around := e.around(frame, known, i, func(h *held) *point { return &h.point[i] })
	b := &e.sensors[i].bender
	bend, ok := b.look(&around, e.line.spacing)
	if !ok || bend.rough {
		return
	}
	h.better[i].pose = bend.centre(h.point[i].pose)
	if bend.beyond(strongBend, &h.point[i].sigma) {
		if fit, ok := b.fit(&bend, h.sensed[i].Fitted, &h.sensed[i].Fit, 2); ok {
			h.better[i].pose = fit.Pose
		}
	}
}

// around are the points about a frame, as far as they are known.
func (e *Engine) around(frame, known, i int, of func(*held) *point) (s stencil) {
	l := &e.line
	now := l.frames[frame].Time
	for k := range s {
		at := frame + (k-reach)*l.step
		if at < 0 || at >= known || !l.frames[at].wanted[i] {
			continue
		}
		p := of(l.frames[at])
		if math.Abs(p.time-now-float64(k-reach)*l.spacing) < 0.01*l.spacing {
			s[k] = p
		}
	}
	return s
}

// straighten takes the motion during a frame's window out of one sensor's pose.
// Where no path tells it, what the bend of the phasors may hide goes into their
// variances.
func (e *Engine) straighten(frame, known, i int) {
	h := e.line.frames[frame]
	v := &h.sensed[i]
	if e.line.step == 0 || e.alongPath(frame, known, i) || v.Doubts&verdict.Motion == 0 || v.Fit.Status != solver.Converged {
		return
	}
	channels := e.bench.Sensors()[i].Channels
	for tone := range e.tones {
		for k, channel := range channels {
			phasor, _ := h.frame.At(tone, channel)
			if power := real(phasor * cmplx.Conj(phasor)); power > 0 {
				at := tone*len(channels) + k
				m := v.Couplings.Value[at]
				v.Couplings.Variance[at] += h.frame.Pull[tone*h.frame.Channels+channel] / power * real(m*cmplx.Conj(m))
				v.Fitted.Variance[at] = v.Couplings.Variance[at]
			}
		}
	}
	v.Fit = e.sensors[i].solver.Warm(v.Fitted, v.Fit.Pose)
}

// alongPath compares a frame's couplings with the mean of the model along the path
// that the poses about it tell. It reports false where they tell none.
func (e *Engine) alongPath(frame, known, i int) bool {
	h := e.line.frames[frame]
	p, v, b := &h.point[i], &h.sensed[i], &e.sensors[i].bender
	v.torn = false
	if !p.good {
		return false
	}
	around := e.around(frame, known, i, func(h *held) *point { return &h.better[i] })
	bend, ok := b.look(&around, e.line.spacing)
	tail := exceeds(&bend.tail, strongBend, &p.sigma)
	doubtful := tail || !ok && v.Doubts&verdict.Motion != 0 || bend.rough && !p.steady && bend.beyond(1, &p.sigma)
	if (!ok || bend.rough) && doubtful && around.torn() {
		v.torn = true
		v.Doubts |= verdict.Motion
	}
	if !ok {
		if v.torn {
			for k, d := range bend.tail {
				for c, f := range bend.tail {
					v.Fit.Covariance[k][c] += d * f
				}
			}
		}
		return v.torn
	}
	if bend.still(&p.sigma) {
		return v.Doubts&verdict.Motion == 0 // what bends the phasors then is no motion
	}
	rounds := 1
	if bend.beyond(strongBend, &p.sigma) {
		rounds = 2
	}
	fit, ok := b.fit(&bend, v.Fitted, &v.Fit, rounds)
	if ok {
		v.Fit = fit
		copy(v.Fitted.Value, b.straight.Value)
	}
	return ok
}
