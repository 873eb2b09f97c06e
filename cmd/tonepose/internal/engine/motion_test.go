package engine

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/stream"
	"tonepose/fieldmodels/rigid"
	"tonepose/multitone/window"
)

// The moments of a Hann window of length T about its centre, by integration of
// (1 + cos 2πu)·u^k over −1/2 to 1/2: 1/12 − 1/2π² of T², and 1/80 − 1/4π² + 3/2π⁴ of
// T⁴. Those of a cascade of n stages of time constant τ about its mean are nτ², 2nτ³
// and (3n² + 6n)τ⁴, with times before the mean positive in the response and so
// negative here. A term cos 2πku of a taper has (−1)^k·2/(2πk)² of T² and
// (−1)^k·(1/(2πk)² − 24/(2πk)⁴) of T⁴: a flat top is negative in places.
func TestWeightingsHaveTheMoments(t *testing.T) {
	const T, tau, rate = 20e-3, 2e-3, 1e5
	pi2 := math.Pi * math.Pi
	flat := []float64{0.2156, 0.4160, 0.2781, 0.0836, 0.0069} // of five terms, rounded
	flat2, flat4 := flat[0]/12, flat[0]/80
	for k, a := range flat[1:] {
		w := 2 * math.Pi * float64(k+1)
		a *= math.Pow(-1, float64(k+1)) / (w * w)
		flat2, flat4 = flat2+2*a, flat4+a*(1-24/(w*w))
	}
	for name, c := range map[string]struct {
		w          stream.Windows
		second     float64
		third      float64
		fourth     float64
		memory     float64
		discretely float64
	}{
		"hann":     {stream.Windows{Length: T, Hop: T}, T * T * (1./12 - 1/(2*pi2)), 0, math.Pow(T, 4) * (1./80 - 1/(4*pi2) + 3/(2*pi2*pi2)), T / 1.5, 1e-6},
		"flat top": {stream.Windows{Length: T, Hop: T, Taper: stream.Taper{Cosine: flat}}, T * T * flat2 / flat[0], 0, math.Pow(T, 4) * flat4 / flat[0], 0, 1e-6},
		// Sampled at 10 µs, a two-hundredth of τ: its moments differ in the order of that.
		"cascade": {stream.Windows{LowPass: &stream.LowPass{Spec: window.Spec{Kind: window.Cascade, Order: 4, TimeConstantS: tau}}},
			4 * tau * tau, -8 * math.Pow(tau, 3), 72 * math.Pow(tau, 4), 6.4 * tau, 0.01},
	} {
		v, err := weightingOf(&c.w, 5e-3, rate)
		if err != nil {
			t.Fatal(err)
		}
		var m [5]float64
		for i, at := range v.at {
			for k := range m {
				m[k] += v.weight[i] * math.Pow(at, float64(k))
			}
		}
		if at := v.at[len(v.at)-1]; at != 0 {
			t.Errorf("%s: the last node is at %g s, not at the frame's own time", name, at)
		}
		scale := max(math.Sqrt(math.Abs(c.second)), math.Pow(math.Abs(c.fourth)/3, 0.25)) // a flat top has hardly any second moment
		for k, want := range [5]float64{1, 0, c.second, c.third, c.fourth} {
			unit := math.Pow(scale, float64(k))
			if math.Abs(m[k]-want) > c.discretely*unit*math.Pow(4, float64(k)) {
				t.Errorf("%s: moment %d is %g, want %g", name, k, m[k]/unit, want/unit)
			}
		}
		if c.memory > 0 && math.Abs(v.memory/c.memory-1) > max(c.discretely, 1e-3) {
			t.Errorf("%s: memory %g s, want %g", name, v.memory, c.memory)
		}
	}
}

// The weights of a slow low-pass are as few as those of a fast one, and have its moments:
// of a cascade those of the gamma distribution, n·τ² and 2·n·τ³ (Abramowitz and Stegun,
// 26.1.32; from memory), seen backwards from the group delay.
func TestWeightsOfASlowLowPass(t *testing.T) {
	const tau, n = 900.0, 4
	w := stream.Windows{LowPass: &stream.LowPass{Spec: window.Spec{Kind: window.Cascade, Order: n, TimeConstantS: tau}}}
	v, err := weightingOf(&w, 100, 1e6)
	if err != nil {
		t.Fatal(err)
	}
	second, third := 0.0, 0.0
	for i, at := range v.at {
		second += v.weight[i] * at * at
		third += v.weight[i] * at * at * at
	}
	// Sampled at finest·ENBW = 3000·5/(64·τ), 234 samples a time constant: 1/234² = 2e-5. The
	// last 1e-6 of the response is left out, from about 18 τ on, 14 τ behind the group delay:
	// 1e-6·14²/4 = 5e-5 of the second moment, 1e-6·14³/8 = 3e-4 of the third, and a few times
	// that for what is behind its beginning.
	if want := n * tau * tau; math.Abs(second/want-1) > 2e-4 {
		t.Errorf("second moment %g, want %g", second, want)
	}
	if want := -2 * n * tau * tau * tau; math.Abs(third/want-1) > 2e-3 {
		t.Errorf("third moment %g, want %g", third, want)
	}
}

// A path through five poses is exact for a motion of the fourth degree, wherever the
// frame stands among them, and the weights of its mean are those of the noise that
// it lets through.
func TestPathFollowsAPolynomial(t *testing.T) {
	const spacing = 0.02
	motion := func(t float64) rigid.Pose {
		u := t / spacing
		return rigid.Pose{Position: r3.Vec{X: 1 + 2*u + 0.3*u*u - 0.1*u*u*u + 0.02*u*u*u*u, Y: 0.5 * u * u, Z: -u}, Rotation: rigid.Exp(r3.Vec{Z: 0.1*u + 0.01*u*u})}
	}
	for now := -reach; now <= reach; now++ {
		var s stencil
		for i := range s {
			if k := i - reach + now; k >= -2 && k <= 2 { // the run has five frames
				s[i] = &point{pose: motion(float64(k) * spacing), good: true}
			}
		}
		if s[reach] == nil {
			continue
		}
		first, last := s.available()
		p := s.path(first, last, spacing, new([pathPoints][6]float64))
		if len(p.offset) != 5 {
			t.Fatalf("frame %d: %d frames", now, len(p.offset))
		}
		for _, u := range []float64{-0.5, 0, 0.3} {
			w := p.weights(u*spacing, 1)
			have, want := p.at(s[reach].pose, &w), motion((float64(now)+u)*spacing)
			dp, dr := have.Minus(want)
			if r3.Norm(dp) > 1e-12 || r3.Norm(dr) > 1e-12 {
				t.Errorf("frame %d, at %g: off by %g and %g", now, u, r3.Norm(dp), r3.Norm(dr))
			}
			sum := 0.0
			for _, w := range p.weights(u*spacing, 0.4) {
				sum += w
			}
			if math.Abs(sum-1) > 1e-12 {
				t.Errorf("weights add to %g", sum)
			}
		}
	}
}

// Frames at rest beside a jump keep their poses: no path reaches over it, whether a
// window lies half way through the jump or not.
func TestNoPathReachesOverAJump(t *testing.T) {
	b := pipeBench(t)
	sv, err := b.Solver(0)
	if err != nil {
		t.Fatal(err)
	}
	w := stream.Windows{Length: 20e-3, Hop: 20e-3}
	weighting, err := weightingOf(&w, w.Hop, 1e5)
	if err != nil {
		t.Fatal(err)
	}
	bender := bender{solver: sv, weighting: weighting}
	const sigma = 1e-5
	for _, course := range [][]float64{{0, 0, 0, 0, 0.5, 1, 1, 1, 1}, {0, 0, 0, 0, 0.3, 1, 1, 1, 1}, {0, 0, 0, 0, 1, 1, 1, 1, 1}} {
		for now := range 4 {
			var s stencil
			for i := range s {
				if k := now + i - reach; k >= 0 && k < len(course) {
					s[i] = &point{good: true, steady: course[k] == 0, sigma: [6]float64{sigma, sigma, sigma, sigma, sigma, sigma},
						pose: rigid.Pose{Position: r3.Vec{X: 0.06 * course[k]}, Rotation: rigid.Exp(r3.Vec{Y: course[k]})}}
				}
			}
			if v, ok := bender.look(&s, 20e-3); ok {
				for c, d := range v.shift {
					if math.Abs(d) > sigma/10 {
						t.Errorf("jump %v, frame %d: component %d is shifted by %.3g sigmas", course, now, c, d/sigma)
					}
				}
			}
		}
	}
}
