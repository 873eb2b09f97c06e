package trajectory

import (
	"cmp"
	"math"

	"tonepose/solver/internal/statistics"
)

// What the process noise is learnt from: parts of so many windows each, evenly over
// all. A part must be long enough that motion shows in it: many times the span
// over which the smoother averages.
var learnParts = [...]struct{ parts, windows int }{{8, 40}, {2, 400}, {1, 2000}}

// learnSpans is how many of these spans a part should hold, leastSpans how many it must
// where there is no longer part: no span is longer than that allows.
const (
	learnSpans = 20
	leastSpans = 8
)

// learn finds the strengths of the process noise under which the innovations are
// most likely, and what share of it the motion has. Only windows that do not overlap
// take part: their noise is independent, as the likelihood has it. Poses stand for
// their couplings: the same evidence but for the bends of the field, which change
// slowly.
func (t *tracker) learn() error {
	position, rotation := t.options.PositionNoise, t.options.RotationNoise
	for k, parts := range learnParts {
		stretches, hop, err := t.stretches(parts.parts, parts.windows)
		if err != nil {
			return err
		}
		if position == 0 || rotation == 0 {
			near, step := [2]float64{math.Log(t.options.PositionNoise), math.Log(t.options.RotationNoise)}, firstStep/2
			if k == 0 {
				near, step = t.guess(stretches), firstStep
			}
			if err := t.likeliest(stretches, position, rotation, near, step); err != nil {
				return err
			}
		}
		last := k+1 == len(learnParts) || t.windows.Len() <= parts.parts*parts.windows
		if long := t.limit(stretches, hop, position, rotation); long && !last {
			continue
		}
		t.share, err = t.judge(stretches, hop)
		return err
	}
	return nil
}

// What likeliest may cost: sweeps over both strengths, and the fall of the logarithm of the
// likelihood below which there is no other. A tenth is less than half a standard deviation
// of a strength, of which a smoother's variance goes by the sixth root. Steps of the
// logarithm of a strength are those of such a deviation with few and with many windows.
const (
	mostSweeps          = 12
	leastFall           = 0.1
	firstStep, lastStep = 0.7, 0.2
)

// likeliest finds the strengths that are not given from logarithms x near them: by parabolas
// through three values of the logarithm of one and then of the other, which hardly hang
// together.
func (t *tracker) likeliest(stretches [][]sighting, position, rotation float64, x [2]float64, first float64) error {
	set := func(x [2]float64) {
		t.options.PositionNoise = cmp.Or(position, math.Exp(x[0]))
		t.options.RotationNoise = cmp.Or(rotation, math.Exp(x[1]))
	}
	cost := func(x [2]float64) float64 {
		if t.ctx.Err() != nil || math.Abs(x[0]) > 40 || math.Abs(x[1]) > 40 {
			return math.Inf(1)
		}
		set(x)
		sum := 0.0
		for _, s := range stretches {
			sum += t.surprise(s)
		}
		return sum
	}
	least, step := cost(x), [2]float64{first, first}
	for range mostSweeps {
		before, wide := least, false
		for k, given := range [2]float64{position, rotation} {
			if given != 0 {
				continue
			}
			from, center, h := x, least, step[k]
			try := func(by float64) float64 {
				there := from
				there[k] += by
				c := cost(there)
				if c < least {
					least, x = c, there
				}
				return c
			}
			below, above := try(-h), try(h)
			by := h * (below - above) / (2 * (below + above - 2*center)) // of the parabola's least
			if !(below+above > 2*center) || math.Abs(by) > 2*h {         // too far, or none
				if by = 2 * h; below < above {
					by = -2 * h
				}
				wide, step[k] = true, 2*h
			} else {
				wide = wide || h > firstStep
				step[k] = min(max(h/2, lastStep), firstStep) // a parabola is the better the closer
			}
			try(by)
		}
		if done := t.ctx.Err(); done != nil {
			return done
		}
		if !wide && before-least < leastFall {
			break
		}
	}
	if math.IsInf(least, 0) || math.IsNaN(least) {
		return ErrNoStart
	}
	set(x)
	return nil
}

// guess is the logarithms of strengths near the likeliest, from the differences of the
// windows' poses that the motion's model leaves: the third, of which white jerk of
// strength q makes 11/20·q·h⁵ and independent errors 20 times their variance; for white
// acceleration the second, 2/3·q·h³ and 6. Both are the square of a B-spline's norm.
// They are taken over as many windows as it needs for the motion to show.
func (t *tracker) guess(stretches [][]sighting) [2]float64 {
	by, share, errors, power := []float64{-1, 3, -3, 1}, 11./20, 20.0, 5.0
	if t.options.Motion == ConstantVelocity {
		by, share, errors, power = []float64{1, -2, 1}, 2./3, 6, 3
	}
	var out [2]float64
	var found [2]bool
	for stride := 1; !found[0] || !found[1]; stride *= 2 {
		var square, noise [2]float64
		count, h := 0.0, 0.0
		for _, s := range stretches {
			for i := 0; i+(len(by)-1)*stride < len(s); i++ {
				var sum [6]float64
				for k, b := range by {
					dp, dr := s[i+k*stride].pose.Minus(s[i].pose)
					for c, v := range six(dp, dr) {
						sum[c] += b * v
					}
				}
				for c, v := range sum {
					square[c/3] += v * v / 3
					noise[c/3] += errors * s[i].own[c] / 3
				}
				h += s[i+stride].time - s[i].time
				count++
			}
		}
		if count == 0 {
			break
		}
		last := 2*(len(by)-1)*stride >= len(stretches[0])
		for k := range out {
			if motion := square[k] - noise[k]; !found[k] && (motion > noise[k] || last) {
				out[k], found[k] = math.Log(max(motion, 0.1*noise[k])/count/share/math.Pow(h/count, power)), true
			}
		}
	}
	return out
}

// limit raises strengths under which the smoother would average over longer than a
// part of the windows can tell, and reports whether they averaged over longer than it
// should.
func (t *tracker) limit(stretches [][]sighting, hop, position, rotation float64) (long bool) {
	span, windows := 0.0, 0.0
	var variance [2]float64
	for _, s := range stretches {
		span = max(span, s[len(s)-1].time-s[0].time)
		for i := range s {
			windows++
			for k, v := range s[i].own {
				variance[k/3] += v / 3
			}
		}
	}
	for k, strength := range []*float64{&t.options.PositionNoise, &t.options.RotationNoise} {
		v := variance[k] / windows
		if [2]float64{position, rotation}[k] == 0 {
			long = long || t.options.Motion.spectrumOf(*strength, v, hop).cutoff < learnSpans/span
			*strength = max(*strength, v*hop*math.Pow(leastSpans/span, float64(t.options.Motion.free()/3)))
		}
		t.spans[k] = 1 / t.options.Motion.spectrumOf(*strength, v, hop).cutoff
	}
	return long
}

// sighting is a window's own pose at a time.
type sighting struct {
	time float64
	reading
	own [6]float64 // variances of its own pose
}

// stretches are the windows to learn from, read about their own poses, and the time
// from one to the next [s].
func (t *tracker) stretches(parts, windows int) (out [][]sighting, hop float64, err error) {
	if out, hop, err = t.fitting(parts, windows, false); len(out) == 0 && err == nil {
		out, hop, err = t.fitting(parts, windows, true)
	}
	if len(out) == 0 && err == nil {
		err = ErrNoStart
	}
	return out, hop, err
}

// fitting are such stretches of the windows that a pose explains, or of any with a
// pose.
func (t *tracker) fitting(parts, windows int, any bool) (out [][]sighting, hop float64, err error) {
	stride := min(strideOf(t.options.Correlation), max(1, t.windows.Len()/12)) // few windows rather than none
	n := t.windows.Len() / stride
	parts = min(parts, max(1, n/windows))
	each := n / parts
	if n > parts*windows {
		each = windows
	}
	fr := new(Frame)
	for k := range parts {
		var part []sighting
		from := (n*k/parts + (n/parts-each)/2) * stride
		for i := range each {
			if err := t.ctx.Err(); err != nil {
				return nil, 0, err
			}
			if err := t.windows.Read(from+i*stride, fr); err != nil {
				return nil, 0, err
			}
			if fr.Pose == nil && len(part) > 0 {
				t.sole(fr, &part[len(part)-1].pose)
			}
			if fr.Pose == nil && len(part) == 0 {
				t.sole(fr, nil)
			}
			if fr.Pose == nil {
				continue
			}
			s := sighting{time: fr.Time}
			if err := t.reader.at(&s.reading, fr, *fr.Pose); err != nil {
				return nil, 0, err
			}
			cov, step := s.solve(1)
			s.pose = s.pose.Plus(vec(step[:]), vec(step[3:]))
			s.y = [6]float64{}
			for k := range s.own {
				s.own[k] = cov[k][k]
			}
			// A window that no pose explains says nothing about the motion, unless all of
			// them bend so.
			if any || statistics.Chance(s.rest, s.used-6) >= 1e-9 {
				part = append(part, s)
			}
		}
		if len(part) > 3 {
			out = append(out, part)
		}
	}
	return out, float64(stride) * t.hop, nil
}

// surprise is −2 times the logarithm of the likelihood of a stretch, but for a
// constant.
func (t *tracker) surprise(s []sighting) (sum float64) {
	e := t.vague(&s[0].reading)
	e.absorb(&s[0].reading, t.bend(), 1)
	for i := 1; i < len(s); i++ {
		e.predict(s[i].time-s[i-1].time, t.noise)
		chi2, logs := e.absorb(&s[i].reading, t.bend(), 1)
		sum += chi2 + logs
	}
	return sum / 2
}
