package calibration

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels/mutual"
)

// block is what one station adds to the normal equations beside the shared
// part: by its own six numbers, and the cost of its residuals.
type block struct {
	c     [6][6]float64 // upper triangle
	g     [6]float64
	cost  float64 // ½Σρ of couplings and reference
	chi2  float64 // of the couplings, without the loss
	prior float64 // of the reference, without the loss
	used  int     // residuals
}

// normal holds the normal equations of the whole adjustment at one point, as
// blocks: shared by shared (upper triangle), shared by station, station by
// station.
type normal struct {
	n      int
	a      []float64 // n × n
	g      []float64
	mixed  []float64 // station s: n × 6 at 6·n·s
	blocks []block
}

// row is one residual with its derivatives by the shared parameters that move
// it. Its columns rise.
type row struct {
	n  int
	at [24]int
	v  [24]float64
}

// put adds the derivative by a column; −1: by none.
func (r *row) put(column int, v float64) {
	if column < 0 {
		return
	}
	r.at[r.n], r.v[r.n] = column, v
	r.n++
}

// putVec adds those by three columns from column on; −1: by none.
func (r *row) putVec(column int, v r3.Vec) {
	if column < 0 {
		return
	}
	r.put(column, v.X)
	r.put(column+1, v.Y)
	r.put(column+2, v.Z)
}

// observed is one coupling: value, quadrature and 1/sigma [1/H], 0 where missing.
// share is its part of what the emitter's couplings share: see shared.go.
type observed struct{ value, quadrature, weight, share float64 }

// linearise fills the bench and the normal equations at the present parameters
// and poses, and eliminates the stations while they are in the cache. It returns
// the cost, +Inf where a field has no value.
func (f *fit) linearise() float64 {
	f.bench.update(f.problem, f.layout, f.x)
	r := f.reduced
	for _, v := range [][]float64{f.normal.a, f.normal.g, r.bareS, r.bareG, f.emitterChi2} {
		clear(v)
	}
	clear(f.emitterCount)
	cost := f.priorCost()
	for s := range f.poses {
		if err := f.station(s); err != nil {
			f.fieldErr = fmt.Errorf("calibration: station %d (%q): %w", s, f.problem.Stations[s].Name, err)
			return math.Inf(1)
		}
		cost += f.normal.blocks[s].cost
		if done := s + 1; done%batch == 0 || done == len(f.poses) {
			f.eliminate(r.bareS, r.bareG, (done-1)/batch*batch, done, 0)
		}
	}
	if math.IsNaN(cost) {
		return math.Inf(1)
	}
	for i, v := range f.normal.a {
		r.bareS[i] += v
	}
	for i, v := range f.normal.g {
		r.bareG[i] += v
	}
	f.lengths(f.addTo(r.bareS, r.bareG))
	return cost
}

// station adds one station to the normal equations.
func (f *fit) station(s int) error {
	n := f.normal.n
	blk := &f.normal.blocks[s]
	*blk = block{}
	mixed := f.normal.mixed[6*n*s : 6*n*(s+1)]
	clear(mixed)
	if f.tap != nil {
		f.tap.station = s
	}
	frame := mutual.NewFrame(f.poses[s])
	first, picks := f.pickups(s, &frame)
	data := f.data[f.offset[s]:f.offset[s+1]]
	free := f.layout
	k := 0
	var cp, apart mutual.Coupling // with what is nearby, and without
	var rw row
	for e := range f.bench.emitters {
		em, ec := &f.bench.emitters[e], &free.emitters[e]
		from := r3.Sub(frame.Origin, em.center)
		chi2, used := blk.chi2, blk.used
		for c := range picks {
			obs := &data[k]
			k++
			if obs.weight == 0 {
				continue
			}
			own := &cp
			if em.nearby != nil {
				own = &apart
			}
			if err := em.couple(&cp, own, &picks[c]); err != nil {
				return err
			}
			// What is nearby stays where it is, and goes with the strength.
			by := own.ByEmitter(from)
			rw.n = 0
			rw.putVec(ec.place, vecAt(by[:], 0))
			if ec.axis >= 0 {
				tilt := vecAt(by[:], 3)
				for i := range ec.tilts {
					rw.put(ec.axis+i, r3.Dot(em.basis[i], tilt))
				}
			}
			rw.put(ec.strength, cp.M)
			f.coilColumns(&rw, first+c, &cp, &picks[c], &frame)
			f.observe(blk, mixed, &rw, &cp, obs, e, first+c)
		}
		if taken := f.taken[s*len(f.bench.emitters)+e]; taken > 0 {
			f.takeShared(blk, mixed, taken)
		}
		f.emitterChi2[e] += blk.chi2 - chi2
		f.emitterCount[e] += blk.used - used
	}
	f.reference(blk, mixed, s)
	return nil
}

// pickups carries the coils of a station's sensor to the rig frame.
func (f *fit) pickups(s int, frame *mutual.Frame) (first int, picks []mutual.Placed) {
	sensor := f.problem.Stations[s].Sensor
	first = f.layout.first[sensor]
	picks = f.picks[:len(f.problem.Sensors[sensor].Coils)]
	for i := range picks {
		c := &f.bench.coils[first+i]
		c.pickup.Place(&picks[i], frame)
	}
	return first, picks
}

// coilColumns adds the derivatives by the coil's own parameters to a row.
func (f *fit) coilColumns(rw *row, i int, cp *mutual.Coupling, p *mutual.Placed, frame *mutual.Frame) {
	cc, coil := &f.layout.coils[i], &f.bench.coils[i]
	if cc.axis >= 0 || cc.place >= 0 {
		by := cp.ByCoil(frame, p.Arm)
		if cc.axis >= 0 {
			tilt := vecAt(by[:], 3)
			rw.put(cc.axis, r3.Dot(coil.basis[0], tilt))
			rw.put(cc.axis+1, r3.Dot(coil.basis[1], tilt))
		}
		rw.putVec(cc.place, vecAt(by[:], 0))
	}
	rw.put(cc.sensitivity, cp.M)
	rw.put(f.layout.channels[cc.channel].gain, cp.M)
}

// observe adds the residuals of one coupling. Without free phases and delays
// this is the real part alone; else m·e^{jψ}, ψ = phase − ω·delay.
func (f *fit) observe(blk *block, mixed []float64, rw *row, cp *mutual.Coupling, obs *observed, e, i int) {
	by := cp.ByPose()
	if f.tap != nil {
		f.tap.now, f.tap.emitter, f.tap.coil, f.tap.gain = CouplingNoise, e, i-f.layout.first[f.problem.Stations[f.tap.station].Sensor], f.bench.coils[i].Gain
	}
	cross := -1
	if f.layout.crosstalk >= 0 {
		cross = f.layout.crosstalk + e*len(f.bench.coils) + i
	}
	if !f.complex {
		r := cp.M - obs.value
		if cross >= 0 {
			r += f.x[cross]
			rw.put(cross, 1)
		}
		f.coupling(blk, mixed, rw, &by, r, obs, 0)
		return
	}
	c := &f.bench.coils[i]
	ch := &f.layout.channels[f.layout.coils[i].channel]
	omega := f.bench.emitters[e].omega
	sin, cos := math.Sincos(c.Phase - omega*c.Delay)
	turned := *rw
	part := func(scale, slope, residual float64, imaginary int) {
		turned.n = rw.n
		for k := range rw.n {
			turned.v[k] = scale * rw.v[k]
		}
		turned.put(ch.phase, slope*cp.M)
		turned.put(ch.delay, -omega*slope*cp.M)
		if imaginary == 0 && cross >= 0 {
			turned.put(cross, 1)
			residual += f.x[cross]
		}
		if f.tap != nil {
			f.tap.gain = c.Gain * scale
		}
		scaled := by
		for k := range scaled {
			scaled[k] *= scale
		}
		f.coupling(blk, mixed, &turned, &scaled, residual, obs, imaginary)
	}
	part(cos, -sin, cp.M*cos-obs.value, 0)
	part(sin, cos, cp.M*sin-obs.quadrature, 1)
}

// accumulate adds one residual r with its derivatives, by the shared parameters in
// columns that rise and by the pose, to the normal equations, weighted by 1/sigma and
// the loss. It uses v up.
func (f *fit) accumulate(blk *block, mixed []float64, columns []int, v []float64, by *[6]float64, r, weight float64) {
	plain := r * weight
	rho, root := f.lose(plain)
	blk.cost += rho / 2
	blk.chi2 += plain * plain
	blk.used++
	w := weight * root
	r = plain * root
	n := f.normal.n
	b := [6]float64{w * by[0], w * by[1], w * by[2], w * by[3], w * by[4], w * by[5]}
	for i := range v {
		v[i] *= w
	}
	if f.tap != nil {
		f.tap.take(columns, v, &b, plain, r, w)
	}
	addStation(&blk.c, &blk.g, &b, r)
	for i, at := range columns {
		others := columns[i:]
		rest := v[i:][:len(others)]
		v := v[i]
		f.normal.g[at] += v * r
		a := f.normal.a[at*n : at*n+n]
		for k, at := range others {
			a[at] += v * rest[k]
		}
		m := (*[6]float64)(mixed[6*at:])
		m[0] += v * b[0]
		m[1] += v * b[1]
		m[2] += v * b[2]
		m[3] += v * b[3]
		m[4] += v * b[4]
		m[5] += v * b[5]
	}
}

// addStation adds a residual's own six derivatives.
func addStation(c *[6][6]float64, g *[6]float64, b *[6]float64, r float64) {
	for i := range 6 {
		v := b[i]
		g[i] += v * r
		for k := i; k < 6; k++ {
			c[i][k] += v * b[k]
		}
	}
}

// lose returns ρ(r²) and √ρ' of a residual in units of its sigma.
func (f *fit) lose(r float64) (rho, root float64) {
	if f.loss == nil {
		return r * r, 1
	}
	rho, w := f.loss.Rho(r * r)
	return rho, math.Sqrt(w)
}
