package calibration

import (
	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels/rigid"
)

// reference adds what the reference device says of a station's pose. The
// sensor should be at F∘T∘K, with F the device's frame in the rig frame, T the
// measured marker and K the sensor in the marker's frame.
func (f *fit) reference(blk *block, mixed []float64, s int) {
	st := &f.problem.Stations[s]
	place, turn := 1/st.SigmaPosition, 1/st.SigmaRotation // 0 where not measured
	if place == 0 && turn == 0 {
		return
	}
	frame, marker := &f.bench.frame, &f.bench.markers[st.Sensor]
	frameAt, markerAt := f.layout.frame, f.layout.markers[st.Sensor]
	frameJl, markerJl := &f.bench.frameJl, &f.bench.markerJl[st.Sensor]
	seen := frame.Compose(f.references[s])
	measured := seen.Compose(*marker)
	dp := r3.Sub(f.poses[s].Position, measured.Position)
	dr := rigid.Log(quat.Mul(f.poses[s].Rotation, quat.Conj(measured.Rotation)))
	byOwn, byMeasured := rigid.LeftJacobianInverse(dr), rigid.RightJacobianInverse(dr)
	// What the six numbers of F and of K do to the place and turn measured.
	arm := r3.Sub(measured.Position, frame.Position)
	rot := rigid.Matrix(seen.Rotation)
	var rw row
	for i, e := range axes {
		if place == 0 {
			break
		}
		rw.n = 0
		if frameAt >= 0 { // δ × arm, δ = Jl·e_k
			rw.putVec(frameAt, r3.Scale(-1, e))
			rw.putVec(frameAt+3, rigid.TransMulVec(frameJl, r3.Cross(e, arm)))
		}
		if markerAt >= 0 {
			rw.putVec(markerAt, r3.Scale(-1, rigid.TransMulVec(&rot, e)))
		}
		var by [6]float64
		by[i] = 1
		f.addReference(blk, mixed, &rw, &by, r3.Dot(dp, e), place)
	}
	for i, e := range axes {
		if turn == 0 {
			break
		}
		rw.n = 0
		back := r3.Scale(-1, rigid.TransMulVec(&byMeasured, e))
		if frameAt >= 0 {
			rw.putVec(frameAt+3, rigid.TransMulVec(frameJl, back))
		}
		if markerAt >= 0 {
			rw.putVec(markerAt+3, rigid.TransMulVec(markerJl, rigid.TransMulVec(&rot, back)))
		}
		by := [6]float64{3: byOwn[i][0], 4: byOwn[i][1], 5: byOwn[i][2]}
		f.addReference(blk, mixed, &rw, &by, r3.Dot(dr, e), turn)
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

// axes of a frame.
var axes = [3]r3.Vec{{X: 1}, {Y: 1}, {Z: 1}}

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
func (f *fit) length(i int) (r float64, d r3.Vec) {
	l := &f.problem.Lengths[i]
	d = r3.Sub(f.bench.emitters[l.B].center, f.bench.emitters[l.A].center)
	norm := r3.Norm(d)
	return (norm - l.Meters) / l.Sigma, r3.Scale(1/(norm*l.Sigma), d)
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
				rw.putVec(at, r3.Scale(sign, d))
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
