package fieldmodels

import "tonepose/fieldmodels/variant"

// ringPlaces is the room of a ringStack.
const ringPlaces = 40

// ringStack is a number of loops about one axis whose fields are summed, several at a
// time where the processor has vectors. The assembly reads it by the fields' order.
type ringStack struct {
	a2, f, z  [ringPlaces]float64 // a², μ0·turns·a²; height of the field point over it [m]
	n         int
	fieldOnly bool     // derivatives are not wanted: those summed are 0
	done      axialJet // of those that are summed already
	s         float64  // square of the field point's distance from the axis
}

// add adds loops of one radius at the heights z − half·x, each with a share of the turns.
func (r *ringStack) add(radius, turns, z, half float64, x, shares []float64) {
	if r.n+len(x) > ringPlaces {
		r.flush()
	}
	a2 := radius * radius
	f := Mu0 * turns * a2
	to := r.n
	r.n += len(x)
	a2s, fs, zs := r.a2[to:r.n], r.f[to:r.n], r.z[to:r.n]
	shares, fs, zs = shares[:len(x)], fs[:len(x)], zs[:len(x)]
	for i := range a2s[:len(x)] {
		a2s[i] = a2
	}
	for i, x := range x {
		fs[i], zs[i] = f*shares[i], z-half*x
	}
}

// sum is the field of all loops, with its derivatives unless fieldOnly.
func (r *ringStack) sum() axialJet {
	r.flush()
	return r.done
}

func (r *ringStack) flush() {
	for ; r.n%LoopSetSize != 0; r.n++ { // no turns, far away
		r.a2[r.n], r.f[r.n], r.z[r.n] = 1, 0, 1e3
	}
	if r.n == 0 {
		return
	}
	var sums [4]float64
	if stackRings == vectorsNone {
		stackRingsGo(&sums, r)
	} else {
		stackRingsVectors(stackRings, &sums, r)
	}
	r.done.add(1, axialJet{sums[0], sums[1], sums[2], sums[3]})
	r.n = 0
}

var (
	stackRings       = vectorsNone
	stackRingsKernel = variant.New("fieldmodels.ringStack", &stackRings)
)

// stackRingsGo is the definition of the kernels: the terms of Loop, summed.
func stackRingsGo(sums *[4]float64, r *ringStack) {
	for i := range r.n {
		jet := ringJet(r.a2[i], 0.25*r.f[i], r.s, r.a2[i]-r.s, r.z[i])
		sums[0] += jet.bz
		sums[1] += jet.g
		if !r.fieldOnly {
			sums[2] += jet.h
			sums[3] += jet.gz
		}
	}
}
