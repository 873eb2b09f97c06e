package mutual

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels"
	"tonepose/fieldmodels/rigid"
)

// The first orders of the mean over a disc, from integrating ρ^2k over it:
// ⟨x²⟩ = 1/4, ⟨x⁴⟩ = 1/8 of the unit disc, with ∂_n² = −∇²_disc.
func TestAxialRuleMoments(t *testing.T) {
	for _, r := range []axialRule{farRule, midRule} {
		for k := 0; k < len(r.nodes); k++ {
			// f = (t + i·x)^2k's real part is harmonic; its mean over the disc
			// x²+y² < 1 at t = 0 is (−1)^k ⟨x^2k⟩.
			want := 1.0
			for i := 1; i <= k; i++ {
				// ⟨x^2k⟩/⟨x^2(k−1)⟩ = (2k−1)/(2k+2)
				want *= -(2*float64(i) - 1) / (2*float64(i) + 2)
			}
			got, size := 0.0, 0.0
			for _, n := range r.nodes {
				p := math.Pow(n.at, float64(2*k))
				v := n.value * p
				if k > 0 {
					v += n.slope * 2 * float64(k) * math.Pow(n.at, float64(2*k-1))
				}
				got += v
				size += math.Abs(v)
			}
			// The weights' sum is up to 1e3, solved to a few 1e-13 of it.
			if math.Abs(got-want) > 1e-12*(1+size) {
				t.Errorf("%d points, degree %d: %g, want %g", len(r.nodes), 2*k, got, want)
			}
		}
	}
}

// The mean flux through a disc of 4 mm from a loop of 35 mm radius, against a
// cubature of degree 41: below 1e-6 from 30 mm of the wire on, and 5 mm from the
// wire still below 1e-4, which the loss of convergence of any cubature with
// maxDiscDegree at 1.25 radii leaves.
func TestDiscMean(t *testing.T) {
	const radius = 4e-3
	src := fieldmodels.PlaceAxis(fieldmodels.Loop{Radius: 0.035, Turns: 30}, r3.Vec{X: 0.01, Y: -0.02, Z: 0.005}, r3.Vec{X: 0.03, Y: 0.05, Z: 0.1})
	fine := discNodes(radius, 61)
	r := rand.New(rand.NewPCG(9, 9))
	worst, worstSlope := map[bool]float64{}, 0.0
	for range 3000 {
		at := r3.Vec{X: 0.3 * (r.Float64() - 0.5), Y: 0.3 * (r.Float64() - 0.5), Z: 0.3 * (r.Float64() - 0.5)}
		b, jac, err := src.Gradient(at)
		if err != nil {
			t.Fatal(err)
		}
		distance := clearance(src, at, b, &jac)
		if distance < 5e-3 {
			continue
		}
		q := randomQuat(r)
		pose := rigid.Pose{Position: at, Rotation: q}
		mean, err := meanField(src, fine, pose)
		if err != nil {
			t.Fatal(err)
		}
		pickup, frame := NewPickup(Coil{Axis: r3.Vec{Z: 1}, AreaTurns: 1, Radius: radius}), NewFrame(pose)
		var p Placed
		pickup.Place(&p, &frame)
		var slope [2]r3.Vec
		for i, fast := range []bool{true, false} {
			var c Coupling
			if err := p.couple(&c, src, fast); err != nil {
				t.Fatal(err)
			}
			slope[i] = r3.Add(c.Rotation, r3.Scale(distance, c.Position))
			e := math.Abs(c.M-r3.Dot(pose.Rotate(r3.Vec{Z: 1}), mean)) / r3.Norm(b)
			near := distance < 30e-3
			worst[near] = math.Max(worst[near], e)
			if limit := map[bool]float64{false: 3e-7, true: 1e-4}[near]; e > limit {
				t.Errorf("%g m from the wire, fast %v: error %.2g of |B|", distance, fast, e)
			}
		}
		// A change of place counts by what it makes over the distance.
		if e := r3.Norm(r3.Sub(slope[0], slope[1])) / r3.Norm(b); distance > 6*radius {
			worstSlope = math.Max(worstSlope, e)
			if e > 1e-4 {
				t.Errorf("%g m from the wire: the fast derivatives are off by %.2g of |B|", distance, e)
			}
		}
	}
	t.Logf("worst error from 30 mm on %.2g, from 5 mm on %.2g, of fast derivatives %.2g", worst[false], worst[true], worstSlope)
}
