package multitone

// pool is what was seen of the noise in some windows, as sums.
type pool struct {
	by      *probes
	power   []float64 // channels × probes, of the windows that count
	weight  []float64 // of each channel: how many of them count
	windows int
}

func newPool(p *probes, channels int) *pool {
	return &pool{by: p, power: make([]float64, channels*p.count), weight: make([]float64, channels)}
}

func (p *pool) add(q *pool) {
	for i, v := range q.power {
		p.power[i] += v
	}
	for c, v := range q.weight {
		p.weight[c] += v
	}
	p.windows += q.windows
}

// join makes p the sum of two others.
func (p *pool) join(a, b *pool) {
	for i := range p.power {
		p.power[i] = a.power[i] + b.power[i]
	}
	for c := range p.weight {
		p.weight[c] = a.weight[c] + b.weight[c]
	}
	p.windows = a.windows + b.windows
}

// see makes p what a window shows, given the sums of its probes over it and the share of each
// channel that was filled in with what has no noise; nil: nothing.
func (p *pool) see(sums []complex128, lost []float64) {
	pr := p.by
	p.windows = 1
	for c := range p.weight {
		part := 0.0
		if lost != nil {
			part = lost[c]
		}
		row := p.power[c*pr.count : (c+1)*pr.count]
		if part > mostLost {
			clear(row)
			p.weight[c] = 0
			continue
		}
		p.weight[c] = 1
		for i, at := range pr.at[c*pr.count : (c+1)*pr.count] {
			row[i] = abs2(sums[at]) / (1 - part)
		}
	}
}

// learn makes a pool all that a meter knows.
func (m *meter) learn(p *pool) {
	n := float64(max(p.windows, 1))
	for i, v := range p.power {
		m.power[i] = v / n
	}
	for c, v := range p.weight {
		m.weight[c], m.seen[c] = v/n, int(v)
	}
	m.windows, m.fresh = p.windows, false
}
