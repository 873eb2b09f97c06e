package calibration

import (
	"math"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels/rigid"
)

// reference adds what the reference device says of a station's pose. The
// sensor should be at F∘T∘K, with F the device's frame in the rig frame, T the
// measured marker and K the sensor in the marker's frame.
func (f *fit) reference(blk *block, mixed []float64, s int) {
	st, ps := &f.problem.Stations[s], &f.poses[s]
	place, turn := 1/st.SigmaPosition, 1/st.SigmaRotation // 0 where not measured
	if place == 0 && turn == 0 {
		return
	}
	frame, marker := &f.bench.frame, &f.bench.markers[st.Sensor]
	seen := frame.Compose(f.references[s])
	told := seen.Compose(*marker)
	dp := sub(&ps.p, ptr(fromR3(told.Position)))
	w := rigid.Log(quat.Mul(ps.q, quat.Conj(told.Rotation)))
	byOwn, byTold := rigid.LeftJacobianInverse(w), rigid.RightJacobianInverse(w)
	dr := fromR3(w)
	// What the six numbers of F and of K do to the place and turn told.
	arm := fromR3(r3.Sub(told.Position, frame.Position))
	rot := rigid.Matrix(seen.Rotation)
	var rw row
	for i := range 6 {
		var by [6]float64
		rw.n = 0
		frameAt, markerAt := f.layout.frame, f.layout.markers[st.Sensor]
		if i < 3 {
			if place == 0 {
				continue
			}
			by[i] = 1
			for k := range 3 {
				if frameAt >= 0 {
					rw.put(frameAt+k, -unit(i, k))
				}
			}
			for k := range 3 {
				if frameAt >= 0 { // δ × arm, δ = Jl·e_k
					d := column3(&f.bench.frameJl, k)
					rw.put(frameAt+3+k, -cross(&d, &arm)[i])
				}
			}
			for k := range 3 {
				if markerAt >= 0 {
					rw.put(markerAt+k, -rot[i][k])
				}
			}
			f.addReference(blk, mixed, &rw, &by, dp[i], place)
			continue
		}
		if turn == 0 {
			continue
		}
		i := i - 3
		for k := range 3 {
			by[3+k] = byOwn[i][k]
		}
		if frameAt >= 0 {
			m := multiply(&byTold, &f.bench.frameJl)
			for k := range 3 {
				rw.put(frameAt+3+k, -m[i][k])
			}
		}
		if markerAt >= 0 {
			m := multiply(&rot, &f.bench.markerJl[st.Sensor])
			m = multiply(&byTold, &m)
			for k := range 3 {
				rw.put(markerAt+3+k, -m[i][k])
			}
		}
		f.addReference(blk, mixed, &rw, &by, dr[i], turn)
	}
}

// addReference is accumulate, counted apart from the couplings.
func (f *fit) addReference(blk *block, mixed []float64, rw *row, by *[6]float64, r, weight float64) {
	if f.tap != nil {
		f.tap.emitter, f.tap.coil = -1, -1
	}
	chi2 := blk.chi2
	f.accumulate(blk, mixed, rw, by, r, weight)
	blk.prior += blk.chi2 - chi2
	blk.chi2 = chi2
}

func unit(i, k int) float64 {
	if i == k {
		return 1
	}
	return 0
}

func column3(m *mat3, k int) vec3 { return vec3{m[0][k], m[1][k], m[2][k]} }

func ptr[T any](v T) *T { return &v }

// priorCost returns the cost of the shared parameters' tolerances and of the
// known lengths.
func (f *fit) priorCost() float64 {
	cost := 0.0
	for i, s := range f.prior {
		if s > 0 {
			d, _ := f.layout.columns[i].change(f.x[i])
			cost += d * d / (2 * s * s)
		}
	}
	for i := range f.problem.Lengths {
		r, _ := f.length(i)
		cost += r * r / 2
	}
	return cost
}

// length returns the residual of a known length, in sigmas, and the unit vector
// from A to B over sigma: its derivative by the place of B.
func (f *fit) length(i int) (r float64, d vec3) {
	l := &f.problem.Lengths[i]
	d = sub(&f.bench.emitters[l.B].center, &f.bench.emitters[l.A].center)
	norm := math.Sqrt(dot(&d, &d))
	for k := range 3 {
		d[k] /= norm * l.Sigma
	}
	return (norm - l.Meters) / l.Sigma, d
}

// addLengths adds the known lengths to the shared equations. They count as
// data.
func (f *fit) addLengths(a, g []float64) {
	for i, l := range f.problem.Lengths {
		r, d := f.length(i)
		var rw row
		for _, end := range []struct {
			emitter int
			sign    float64
		}{{min(l.A, l.B), -1}, {max(l.A, l.B), 1}} {
			sign := end.sign
			if l.A > l.B {
				sign = -sign
			}
			if at := f.layout.emitters[end.emitter].place; at >= 0 {
				for k := range 3 {
					rw.put(at+k, sign*d[k])
				}
			}
		}
		for i := range rw.n {
			g[rw.at[i]] += rw.v[i] * r
			for k := i; k < rw.n; k++ {
				a[rw.at[i]*f.normal.n+rw.at[k]] += rw.v[i] * rw.v[k]
			}
		}
	}
}

// addPriors adds the tolerances to the shared equations.
func (f *fit) addPriors(a, g []float64) {
	for i, s := range f.prior {
		if s > 0 {
			d, slope := f.layout.columns[i].change(f.x[i])
			a[i*f.normal.n+i] += slope * slope / (s * s)
			g[i] += slope * d / (s * s)
		}
	}
}
