package assessment

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels/rigid"
)

// figureEight is an invented sweep along a plastic pipe, known exactly.
type figureEight struct{ from, to float64 }

func (f figureEight) At(t float64) (p rigid.Pose, v, w r3.Vec, ok bool) {
	const a, b = 2 * math.Pi * 0.7, 2 * math.Pi * 1.1
	p = rigid.Pose{
		Position: r3.Vec{X: 0.06 * math.Sin(a*t), Y: 0.04 * math.Sin(b*t), Z: 0.15 + 0.01*t},
		Rotation: rigid.Exp(r3.Vec{Z: 0.5 * math.Sin(a*t)}),
	}
	v = r3.Vec{X: 0.06 * a * math.Cos(a*t), Y: 0.04 * b * math.Cos(b*t), Z: 0.01}
	return p, v, r3.Vec{Z: 0.5 * a * math.Cos(a*t)}, t >= f.from && t <= f.to
}

// A known lag comes back within its stated sigma, in spite of a constant offset.
func TestLagByMonteCarlo(t *testing.T) {
	truth := figureEight{0, 4}
	rng := rand.New(rand.NewPCG(6, 6))
	const sigma = 1e-4
	var sum float64
	const runs = 200
	for run := range runs {
		lag := 0.08 * (2*rng.Float64() - 1)
		var samples []Sample
		for i := range 150 {
			at := 0.3 + 0.02*float64(i)
			p, _, _, _ := truth.At(at - lag)
			noise := r3.Vec{X: 2e-3 + sigma*rng.NormFloat64(), Y: sigma * rng.NormFloat64(), Z: -1e-3 + sigma*rng.NormFloat64()}
			samples = append(samples, Sample{Time: at, Estimate: p.Plus(noise, r3.Vec{})})
		}
		l, err := FitLag(samples, truth, 0.2)
		if err != nil {
			t.Fatal(err)
		}
		z := (l.Seconds - lag) / l.Sigma
		sum += z * z
		if run == 0 {
			// Offset (2, 0, −1) mm and three axes of noise.
			want := math.Sqrt(5e-6 + 3*sigma*sigma)
			if math.Abs(l.PositionRMS/want-1) > 0.02 || l.Correlation < 0.999 {
				t.Errorf("%+v, want position RMS %.3g", l, want)
			}
			if d := math.Hypot(l.Along, l.Across) - l.PositionRMS; math.Abs(d) > 1e-12 {
				t.Errorf("along and across do not make up the whole: %g", d)
			}
		}
	}
	// Mean of 200 chi-squares of one degree of freedom.
	if mean := sum / runs; math.Abs(mean-1) > 4*math.Sqrt(2.0/runs) {
		t.Errorf("squared error over sigma² is %.3f", mean)
	}
}

func TestNoLagAtRest(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 7))
	var samples []Sample
	for i := range 50 {
		samples = append(samples, Sample{Time: 0.01 * float64(i), Estimate: rigid.Identity().Plus(r3.Vec{X: 1e-5 * rng.NormFloat64()}, r3.Vec{})})
	}
	if l, err := FitLag(samples, resting{}, 0.1); !errors.Is(err, ErrNoMotion) {
		t.Errorf("%+v, %v", l, err)
	}
}

type resting struct{}

func (resting) At(float64) (rigid.Pose, r3.Vec, r3.Vec, bool) {
	return rigid.Identity(), r3.Vec{}, r3.Vec{}, true
}

func TestDropped(t *testing.T) {
	times := []float64{0, 0.01, 0.02, 0.05, 0.06, 0.07, 0.09, 0.1, 0.11, 0.12, 0.13}
	f := Dropped(times)
	if f == nil || f.Dropped != 3 || f.Expected != 14 || math.Abs(f.LongestGap-0.03) > 1e-15 {
		t.Errorf("%+v", f)
	}
	if f := Dropped([]float64{0, 1, 7, 9, 30, 31.5}); f != nil {
		t.Errorf("stations have no frames to drop: %+v", f)
	}
}

// Distances know neither frame: whatever rigid motion the estimates went
// through, they stay; and a bench that is 100 ppm too large says so.
func TestDistancesNeedNoFrame(t *testing.T) {
	rng := rand.New(rand.NewPCG(8, 8))
	var here, moved []Sample
	m := rigid.Pose{Position: r3.Vec{X: 3, Y: -2}, Rotation: rigid.Exp(r3.Vec{X: 1, Y: 2, Z: -0.5})}
	for i := range 20 {
		p := rigid.Pose{Position: r3.Vec{X: rng.Float64(), Y: rng.Float64(), Z: rng.Float64()}, Rotation: rigid.Identity().Rotation}
		e := p
		e.Position = r3.Scale(1+100e-6, e.Position)
		here = append(here, Sample{Estimate: e, Truth: p, Station: i + 1, Visit: i + 1})
		moved = append(moved, Sample{Estimate: m.Compose(e), Truth: p, Station: i + 1, Visit: i + 1})
	}
	a, _ := Summarise(here)
	b, _ := Summarise(moved)
	if a.Distances.N != 190 || math.Abs(a.Distances.ScalePPM-100) > 1e-6 {
		t.Errorf("%+v", a.Distances)
	}
	// Coordinates of 3 m are good to 4e-16 m, against errors of 1e-4 m.
	if math.Abs(a.Distances.RMS-b.Distances.RMS) > 1e-14 || math.Abs(a.Distances.ScalePPM-b.Distances.ScalePPM) > 1e-8 {
		t.Errorf("%+v and, moved, %+v", a.Distances, b.Distances)
	}
}

// White noise jitters by its standard deviation, √3 of it in space, however
// large a bias is.
func TestJitterIsNoise(t *testing.T) {
	rng := rand.New(rand.NewPCG(9, 9))
	const n, sigma = 4000, 1e-5
	var samples []Sample
	for i := range n {
		e := r3.Vec{X: 0.01 + sigma*rng.NormFloat64(), Y: sigma * rng.NormFloat64(), Z: sigma * rng.NormFloat64()}
		samples = append(samples, Sample{Time: 0.01 * float64(i), Estimate: rigid.Identity().Plus(e, r3.Vec{}), Truth: rigid.Identity()})
	}
	r, _ := Summarise(samples)
	// Steps that share a frame are correlated: variance 3/(2·3n)·σ⁴-wise, four of
	// these.
	if q := r.Jitter.Position / (sigma * math.Sqrt(3)); math.Abs(q-1) > 4*math.Sqrt(3./(4*3*n)) {
		t.Errorf("jitter is %.4f of the noise", q)
	}
	if r.Jitter.Pairs != n-1 {
		t.Errorf("%d steps", r.Jitter.Pairs)
	}
}
