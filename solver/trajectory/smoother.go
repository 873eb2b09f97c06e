package trajectory

// block is how many frames the smoother goes back at a time: it keeps the filter's
// estimate at the start of each block alone, and filters the block at hand again.
const block = 64

// kept is the filter at a frame of the block at hand.
type kept struct {
	flow          flow // from the frame before
	predicted, at estimate
}

// filter runs through all frames.
func (t *tracker) filter() ([]State, error) {
	states := make([]State, 0, len(t.frames))
	n := newLagged(t)
	for i := range t.frames {
		if err := t.step(i); err != nil {
			return nil, t.place(i, err)
		}
		cov := n.follow(t, i)
		e := t.now
		for r := range cov {
			copy(e.cov[r][:6], cov[r][:])
		}
		states = append(states, t.state(i, &e))
	}
	if !t.started {
		return nil, ErrNoStart
	}
	return states, nil
}

// smooth runs through all frames and carries what later ones know back to earlier
// ones, on the manifold: errors are taken at each state's own estimate.
func (t *tracker) smooth() ([]State, error) {
	begins := make([]estimate, 0, len(t.frames)/block+1) // before the first frame of each block
	for i := range t.frames {
		if i%block == 0 {
			begins = append(begins, t.now)
		}
		if err := t.step(i); err != nil {
			return nil, t.place(i, err)
		}
	}
	if !t.started {
		return nil, ErrNoStart
	}
	states := make([]State, len(t.frames))
	ratios := make([][2]float64, len(t.frames))
	steps := make([]kept, block)
	var next estimate // with all that is known
	var by kept       // the way to it
	for b := len(begins) - 1; b >= 0; b-- {
		if err := t.ctx.Err(); err != nil {
			return nil, err
		}
		from, to := b*block, min((b+1)*block, len(t.frames))
		t.now = begins[b]
		for i := from; i < to; i++ {
			t.repeat(i, &steps[i-from])
		}
		for i := to - 1; i >= from; i-- {
			k := &steps[i-from]
			if i+1 < len(t.frames) && !t.records[i+1].restarted {
				e := k.at
				e.back(&by.flow, &by.predicted, &next, t.options.Motion.free())
				next = e
			} else {
				next = k.at
			}
			states[i] = t.state(i, &next)
			for r := range 6 {
				ratios[i][r/3] += next.cov[r][r] / k.at.cov[r][r] / 3
			}
			by.flow, by.predicted = k.flow, k.predicted
		}
	}
	t.sides = sidesOf(ratios)
	for i := range states {
		t.share.scale(&states[i].Covariance, t.sides[i])
	}
	return states, nil
}

// repeat takes in frame i as step has done before.
func (t *tracker) repeat(i int, k *kept) {
	rec := &t.records[i]
	switch {
	case rec.unknown:
		return
	case rec.restarted:
		t.begin(i)
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
