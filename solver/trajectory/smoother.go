package trajectory

// The smoother goes through a recording in pieces of smoothPiece windows, each from
// margin windows beyond its end: what lies further ahead counts for less than
// e^(−½·spansBeyond), 5e-5, of what a window tells, as the slowest of the smoother's
// poles is ω_c/2 from the axis (see share). So memory does not grow with the recording.
const (
	smoothPiece = 8 * block
	spansBeyond = 20
	// block is how many frames it goes back at a time: it keeps the filter's estimate at
	// the start of each block alone, and filters the block at hand again.
	block = 64
)

// kept is the filter at a frame of the block at hand.
type kept struct {
	flow          flow // from the frame before
	predicted, at estimate
}

// filterTo hands out what the filter says of the windows up to number k.
func (j *Joiner) filterTo(k int) error {
	if err := j.load(k); err != nil {
		return err
	}
	for i := j.done; i < len(j.frames); i++ {
		if err := j.step(i); err != nil {
			return j.place(i, err)
		}
		cov := j.lagged.follow(j.tracker, i)
		e := j.now
		for r := range cov {
			copy(e.cov[r][:6], cov[r][:])
		}
		j.states[i] = j.state(i, &e)
	}
	j.stepped = len(j.frames)
	j.done = j.stepped
	return nil
}

// stepTo filters windows up to number k, or as many as there are.
func (j *Joiner) stepTo(k int) error {
	if err := j.load(k + 1); err != nil { // a start looks at the window after it
		return err
	}
	for ; j.stepped < min(k, len(j.frames)); j.stepped++ {
		if j.stepped%block == 0 {
			j.begins = append(j.begins, j.now)
		}
		if err := j.step(j.stepped); err != nil {
			return j.place(j.stepped, err)
		}
	}
	return nil
}

// smoothTo smooths windows up to number k, or as many as there are.
func (j *Joiner) smoothTo(k int) error {
	for j.smoothed < k && j.smoothed < j.left() {
		to := j.smoothed + smoothPiece
		if err := j.stepTo(to + j.margin); err != nil {
			return err
		}
		if j.stepped < to+j.margin { // there are no more
			to = j.stepped
		}
		if err := j.back(j.smoothed, to); err != nil {
			return err
		}
		j.smoothed = to
	}
	return nil
}

// back carries what later windows know back to those from one to another, on the
// manifold: errors are taken at each state's own estimate.
func (j *Joiner) back(from, to int) error {
	t := j.tracker
	now := t.now // of the last window
	defer func() { t.now = now }()
	var next estimate // with all that is known
	var by kept       // the way to it
	for b := (j.stepped - 1) / block; b >= from/block; b-- {
		if err := t.ctx.Err(); err != nil {
			return err
		}
		first, end := b*block, min((b+1)*block, j.stepped)
		t.now = j.begins[b]
		for i := first; i < end; i++ {
			t.repeat(i, &j.steps[i-first])
		}
		for i := end - 1; i >= first; i-- {
			k := &j.steps[i-first]
			if i+1 < j.stepped && !t.records[i+1].restarted {
				e := k.at
				e.back(&by.flow, &by.predicted, &next, t.options.Motion.free())
				next = e
			} else {
				next = k.at
			}
			by.flow, by.predicted = k.flow, k.predicted
			if i >= to {
				continue
			}
			j.states[i] = t.state(i, &next)
			j.sides[i] = t.side(t.ratio(&next, &k.at), j.inside)
			t.share.scale(&j.states[i].Covariance, j.sides[i])
		}
	}
	return nil
}

// repeat takes in frame i as step has done before.
func (t *tracker) repeat(i int, k *kept) {
	rec := &t.records[i]
	switch {
	case rec.unknown:
		return
	case rec.restarted:
		t.begin(rec)
		t.now.absorb(&rec.reading, t.bend(), t.variance)
	default:
		k.flow = t.now.predict(t.frames[i].Time-t.frames[i-1].Time, t.noise)
		k.predicted = t.now
		if !rec.passed {
			t.now.absorb(&rec.reading, t.bend(), t.variance)
		}
	}
	k.at = t.now
}
