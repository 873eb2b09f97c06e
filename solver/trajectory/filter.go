package trajectory

import (
	"context"
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels/rigid"
	"tonepose/solver"
	"tonepose/solver/internal/statistics"
)

// What is known before the first window: little. A hand moves at metres and
// tens of radians a second, and changes that within tens of ms.
const (
	startPosition     = 0.1  // [m], about the first window's own pose
	startRotation     = 0.5  // [rad]
	startSpeed        = 5.0  // [m/s]
	startTurnRate     = 50.0 // [rad/s]
	startAcceleration = 50.0 // [m/s²]
	startTurnAccel    = 1000.0
	freeSigma         = 1e-3 // of the rotation about an axis that no coil sees [rad]: fixed, not known
	maxReadings       = 12   // of a frame that gives no pose by itself
	maxOutage         = 10   // windows passed over in a row before the filter starts afresh
	// lost is the rotation [rad] by which a sensor may have left its even motion in a
	// gap before the filter starts afresh: more can't be told from a turn less.
	lost = 1.0
	// settled is the square of a step in its own standard deviations after which a
	// reading need not be taken anew: see reading.
	settled = 1
	// bowed is the square of the bends' shift from which on a frame is read again where
	// it belongs: its own pose then lies so far off that the field's slopes differ.
	bowed = 0.25
)

// tracker follows one sensor through its frames.
type tracker struct {
	ctx      context.Context // of the one call that it serves
	reader   *reader
	windows  Windows // nil: they are handed in
	options  Options
	share    share
	spans    [2]float64 // 1/ω_c of position and rotation [s], see share
	variance float64    // 1 + 2Σρ: of readings, so that they count as independent
	axis     *r3.Vec    // about which a rotation can't be seen, sensor frame; nil: none
	center   r3.Vec     // the point on it that the coils see
	hop      float64    // from one of the windows to the next [s], the median

	frames  []Frame // the last that were taken in
	records []record
	first   int // number of the first of them
	now     estimate
	outage  int
	started bool
}

// record is what is kept of a frame.
type record struct {
	reading
	chi2      float64
	passed    bool   // says nothing of the motion
	unknown   bool   // the filter has not started yet
	restarted bool   // the filter starts here
	v, w      r3.Vec // with this velocity and turn rate
}

func newTracker(ctx context.Context, s *solver.Solver, o Options) *tracker {
	t := &tracker{ctx: ctx, reader: newReader(s, &o), options: o, variance: 1}
	for _, rho := range o.Correlation {
		t.variance += 2 * rho
	}
	if axis, ok := s.Problem().Sensor.BlindAxis(); ok {
		t.axis, t.center = &axis, s.Problem().Sensor.Coils[0].Center
	}
	return t
}

// bend is what an acceleration does to the mean of the way over a window [s²].
func (t *tracker) bend() float64 { return t.options.WindowSpread * t.options.WindowSpread / 2 }

func (t *tracker) noise(c *matrix, dt float64, p rigid.Pose) {
	across := t.across(p)
	t.options.Motion.addNoise(c, dt, t.options.PositionNoise, t.options.RotationNoise, &across)
}

// vague is what is known before a reading: next to nothing, about its own pose.
func (t *tracker) vague(o *reading) (e estimate) {
	_, step := o.solve(1)
	e.x.pose = o.pose.Plus(vec(step[:]), vec(step[3:]))
	across := t.across(e.x.pose)
	for i := range 3 {
		e.cov[i][i] = startPosition * startPosition
		for k := range 3 {
			e.cov[3+i][3+k] = startRotation*startRotation*across[i][k] + freeSigma*freeSigma*(rigid.Unit3[i][k]-across[i][k])
		}
		e.cov[6+i][6+i], e.cov[9+i][9+i] = startSpeed*startSpeed, startTurnRate*startTurnRate
		if t.options.Motion == ConstantAcceleration {
			e.cov[12+i][12+i], e.cov[15+i][15+i] = startAcceleration*startAcceleration, startTurnAccel*startTurnAccel
		}
	}
	return e
}

// solve gives a reading's own pose, as an offset, with its covariance for errors of
// a variance. A direction of which it says nothing does not move, and has a unit
// variance.
func (o *reading) solve(variance float64) (cov rigid.Covariance, step [6]float64) {
	// columns of U⁻¹
	var inverse [6][6]float64
	for j := 5; j >= 0; j-- {
		d, s := o.root[j][j], math.Sqrt(variance)
		if d == 0 {
			d, s = 1, 1
		}
		for c := j; c < 6; c++ {
			v := 0.0
			if c == j {
				v = s
			}
			for k := j + 1; k <= c; k++ {
				v -= o.root[j][k] * inverse[k][c]
			}
			inverse[j][c] = v / d
		}
		v := o.y[j]
		for k := j + 1; k < 6; k++ {
			v -= o.root[j][k] * step[k]
		}
		step[j] = v / d
	}
	for i := range 6 {
		for k := range i + 1 {
			for c := i; c < 6; c++ {
				cov[i][k] += inverse[i][c] * inverse[k][c]
			}
			cov[k][i] = cov[i][k]
		}
	}
	return cov, step
}

// across projects a rotation vector of the rig frame on what the coils see: all of
// it, or what lies across their one axis at a pose.
func (t *tracker) across(p rigid.Pose) [3][3]float64 {
	m := rigid.Unit3
	if t.axis == nil {
		return m
	}
	v := p.Rotate(*t.axis)
	a := [3]float64{v.X, v.Y, v.Z}
	for i := range 3 {
		for j := range 3 {
			m[i][j] -= a[i] * a[j]
		}
	}
	return m
}

// step takes in frame i: predicts the motion to its time and corrects it.
func (t *tracker) step(i int) error {
	if err := t.ctx.Err(); err != nil {
		return err
	}
	fr, rec := &t.frames[i], &t.records[i]
	*rec = record{}
	if !t.started {
		return t.start(i)
	}
	dt := fr.Time - t.frames[i-1].Time
	t.now.predict(dt, t.noise)
	var gap matrix
	t.noise(&gap, dt, t.now.x.pose)
	if t.outage > maxOutage || gap[3][3]+gap[4][4]+gap[5][5] > lost*lost {
		if err := t.start(i); err != nil || rec.restarted {
			return err
		}
		*rec = record{}
	}
	return t.update(fr, rec)
}

// start begins at a frame that gives a pose by itself. How fast the sensor goes, and
// so how the field bends on its way, is seen from the next such frame.
func (t *tracker) start(i int) error {
	fr, rec := &t.frames[i], &t.records[i]
	if fr.Pose == nil {
		t.sole(fr, nil)
	}
	if fr.Pose == nil {
		rec.unknown, rec.passed = !t.started, true
		return nil
	}
	about := motion{pose: *fr.Pose}
	v, w := t.heading(i)
	about.v, about.w = v, w
	for n := 0; ; n++ {
		if n == maxReadings { // bends beyond what a step can follow
			about = motion{pose: *fr.Pose}
		}
		if err := t.reader.at(&rec.reading, fr, about.pose); err != nil {
			return err
		}
		if n == maxReadings {
			break
		}
		if _, err := t.reader.bent(&rec.reading, fr, &about); err != nil {
			return err
		}
		square := 0.0
		for _, y := range rec.y {
			square += y * y
		}
		if square < settled {
			break
		}
		_, step := rec.solve(1)
		about.pose = rec.pose.Plus(vec(step[:]), vec(step[3:]))
	}
	rec.restarted, rec.v, rec.w = true, v, w
	t.begin(rec)
	t.take(rec)
	t.started, t.outage = true, 0
	return nil
}

// heading is the velocity and turn rate from a frame's own pose to that of the next.
func (t *tracker) heading(i int) (v, w r3.Vec) {
	if i+1 == len(t.frames) || t.frames[i].Pose == nil || t.frames[i+1].Pose == nil {
		return v, w
	}
	dp, dr := t.frames[i+1].Pose.Minus(*t.frames[i].Pose)
	per := 1 / (t.frames[i+1].Time - t.frames[i].Time)
	return r3.Scale(per, dp), r3.Scale(per, dr)
}

// begin makes the estimate what is known before a frame at which all begins.
func (t *tracker) begin(rec *record) {
	t.now = t.vague(&rec.reading)
	t.now.x.v, t.now.x.w = rec.v, rec.w
}

// sole seeks the pose that a frame gives by itself, near one or anywhere.
func (t *tracker) sole(fr *Frame, near *rigid.Pose) {
	var r solver.Result
	if near != nil {
		r = t.reader.solver.Warm(fr.Couplings, *near)
	} else {
		r = t.reader.solver.Cold(fr.Couplings)
	}
	if r.Status == solver.Converged {
		fr.Pose = &r.Pose
	}
}

// update corrects the prediction by a frame, read about the pose that it gives by
// itself, or else about the prediction. A frame foreign to the motion is passed over.
func (t *tracker) update(fr *Frame, rec *record) error {
	predicted := t.now
	if fr.Pose == nil {
		t.sole(fr, &predicted.x.pose)
	}
	if fr.Pose != nil {
		if err := t.reader.at(&rec.reading, fr, *fr.Pose); err != nil {
			return err
		}
		t.take(rec)
		shift, err := t.reader.bent(&rec.reading, fr, &t.now.x)
		if err != nil {
			return err
		}
		t.now = predicted
		t.take(rec)
		if shift > bowed {
			if err := t.settle(fr, rec, &predicted, t.now.x); err != nil {
				return err
			}
		}
		if !t.foreign(rec) {
			t.outage = 0
			return nil
		}
	}
	// By itself the frame may give another pose than with the motion known.
	sole := *rec
	if err := t.settle(fr, rec, &predicted, predicted.x); err != nil {
		return err
	}
	if !t.foreign(rec) {
		t.outage = 0
		return nil
	}
	if fr.Pose != nil {
		*rec = sole
	}
	t.now, rec.passed = predicted, true
	t.outage++
	return nil
}

// settle reads a frame about a motion, corrects the prediction by it, and again about
// the motion that comes out, until that stays.
func (t *tracker) settle(fr *Frame, rec *record, predicted *estimate, about motion) error {
	for range maxReadings {
		if err := t.reader.at(&rec.reading, fr, about.pose); err != nil {
			return err
		}
		if _, err := t.reader.bent(&rec.reading, fr, &about); err != nil {
			return err
		}
		t.now = *predicted
		t.take(rec)
		dp, dr := t.now.x.pose.Minus(about.pose)
		about = t.now.x
		m := six(dp, dr)
		square := 0.0
		for j := range 6 {
			u := 0.0
			for k := j; k < 6; k++ {
				u += rec.root[j][k] * m[k]
			}
			square += u * u
		}
		if square < settled {
			break
		}
	}
	return nil
}

// take absorbs a record's reading.
func (t *tracker) take(rec *record) {
	chi2, _ := t.now.absorb(&rec.reading, t.bend(), t.variance)
	rec.chi2 = chi2 + rec.rest/t.variance
}

// foreign tells whether a frame's innovation speaks against the motion.
func (t *tracker) foreign(rec *record) bool {
	return rec.used == 0 || rec.chi2 > float64(rec.used) && statistics.Chance(rec.chi2, rec.used) < t.options.Gate
}

// state is an estimate as it is shown.
func (t *tracker) state(i int, e *estimate) State {
	rec := &t.records[i]
	if rec.unknown {
		return State{Time: t.frames[i].Time, Unknown: true, Passed: true}
	}
	s := State{Time: t.frames[i].Time, Pose: e.x.pose, Velocity: e.x.v, TurnRate: e.x.w, ChiSquare: rec.chi2, DOF: rec.used, Passed: rec.passed}
	for r := range s.Covariance {
		copy(s.Covariance[r][:], e.cov[r][:6])
	}
	if t.axis != nil {
		t.smallestRotation(&s)
	}
	return s
}

// smallestRotation gives a five-degree pose the smallest rotation that carries the
// coils' axis, as the solver does, and takes the unknown rotation about it out of its
// covariance. The point of the axis that the coils see stays where it is.
func (t *tracker) smallestRotation(s *State) {
	a := s.Pose.Rotate(*t.axis)
	seen := s.Pose.Apply(t.center)
	q := rigid.Between(*t.axis, a)
	s.Pose = rigid.Pose{Position: r3.Sub(seen, rigid.Rotate(q, t.center)), Rotation: q}
	s.Covariance = rigid.WithoutRotation(&s.Covariance, a)
}
