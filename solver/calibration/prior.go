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
	position, rotation := 1/st.SigmaPosition, 1/st.SigmaRotation // 0 where not measured
	if position == 0 && rotation == 0 {
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
	// What the six numbers of F and of K do to the position and rotation measured.
	arm := r3.Sub(measured.Position, frame.Position)
	rot := rigid.Matrix(seen.Rotation)
	var rw row
	for i, e := range axes {
		if position == 0 {
			break
		}
		rw.n = 0
		rw.putVec(frameAt, r3.Scale(-1, e))
		if frameAt >= 0 { // δ × arm, δ = Jl·e_k
			rw.putVec(frameAt+3, rigid.TransMulVec(frameJl, r3.Cross(e, arm)))
		}
		rw.putVec(markerAt, r3.Scale(-1, rigid.TransMulVec(&rot, e)))
		var by [6]float64
		by[i] = 1
		f.addReference(blk, mixed, &rw, &by, r3.Dot(dp, e), position, ReferencePosition)
	}
	for i, e := range axes {
		if rotation == 0 {
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
		f.addReference(blk, mixed, &rw, &by, r3.Dot(dr, e), rotation, ReferenceRotation)
	}
}

// addReference is accumulate, counted apart from the couplings.
func (f *fit) addReference(blk *block, mixed []float64, rw *row, by *[6]float64, r, weight float64, part Input) {
	if f.tap != nil {
		f.tap.now, f.tap.emitter, f.tap.coil = part, -1, -1
	}
	chi2 := blk.chi2
	f.accumulate(blk, mixed, rw.at[:rw.n], rw.v[:rw.n], by, r, weight)
	blk.prior += blk.chi2 - chi2
	blk.chi2 = chi2
}

// axes of a frame.
var axes = [3]r3.Vec{{X: 1}, {Y: 1}, {Z: 1}}

// tolerances visits those of the shared parameters as residuals in sigmas.
func (f *fit) tolerances(visit func(rw *row, r float64)) {
	for i, s := range f.prior {
		if s > 0 {
			var rw row
			d, slope := f.layout.columns[i].change(f.x[i])
			rw.put(i, slope/s)
			visit(&rw, d/s)
		}
	}
}

// lengths visits the known lengths as residuals in sigmas. They count as data.
func (f *fit) lengths(visit func(rw *row, r float64)) {
	for _, l := range f.problem.Lengths {
		d := r3.Sub(f.bench.emitters[l.B].center, f.bench.emitters[l.A].center)
		norm := r3.Norm(d)
		d = r3.Scale(1/(norm*l.Sigma), d) // by the position of B
		var rw row
		if l.A < l.B {
			rw.putVec(f.layout.emitters[l.A].place, r3.Scale(-1, d))
		}
		rw.putVec(f.layout.emitters[l.B].place, d)
		if l.A > l.B {
			rw.putVec(f.layout.emitters[l.A].place, r3.Scale(-1, d))
		}
		visit(&rw, (norm-l.Meters)/l.Sigma)
	}
}

// known visits both.
func (f *fit) known(visit func(rw *row, r float64)) {
	f.tolerances(visit)
	f.lengths(visit)
}

// priorCost returns the cost of the tolerances and of the known lengths.
func (f *fit) priorCost() (cost float64) {
	f.known(func(_ *row, r float64) { cost += r * r / 2 })
	return cost
}

// priorSlope is what they add to the slope along a step.
func (f *fit) priorSlope(step []float64) (sum float64) {
	f.known(func(rw *row, r float64) {
		for i := range rw.n {
			sum += r * rw.v[i] * step[rw.at[i]]
		}
	})
	return sum
}

// addTo adds a residual that is of no station to the shared equations.
func (f *fit) addTo(a, g []float64) func(rw *row, r float64) {
	return func(rw *row, r float64) {
		for i := range rw.n {
			g[rw.at[i]] += rw.v[i] * r
			for k := i; k < rw.n; k++ {
				a[rw.at[i]*f.normal.n+rw.at[k]] += rw.v[i] * rw.v[k]
			}
		}
	}
}
