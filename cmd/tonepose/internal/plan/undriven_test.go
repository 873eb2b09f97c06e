package plan

import (
	"context"
	"math"
	"strings"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/bench"
	"tonepose/fieldmodels/rigid"
	"tonepose/solver"
)

// What plan predicts where no drive is digitised is what the solver states of couplings
// with that noise: the currents' tolerances are in both. The bound takes the fields for
// straight over an error; a tenth of a millimetre over the 5 cm and more to the coils
// bends them by some thousandths.
func TestPredictionWithoutDrives(t *testing.T) {
	r := load(t, "sound-card.rig.yaml")
	o := Options{WindowS: 20e-3, Taper: "hann", NoiseV: 8e-9, Bits: 16}
	predictor := predictorOf(t, r, o)
	p, err := begin(r, o)
	if err != nil {
		t.Fatal(err)
	}
	noise, err := p.noise(0)
	if err != nil {
		t.Fatal(err)
	}
	s, err := bench.New(r).Solver(0)
	if err != nil {
		t.Fatal(err)
	}
	for i, q := range [][3]float64{{0.5, 0, 0.3}, {-1, 0.7, 0.2}, {0.2, 1.9, -0.8}} {
		pose := rigid.Pose{Position: r3.Vec{X: 0.03 * float64(i-1), Y: -0.02, Z: 0.09 + 0.02*float64(i)}, Rotation: rigid.Exp(r3.Vec{X: q[0], Y: q[1], Z: q[2]})}
		c := solver.Couplings{Value: make([]float64, len(noise.SigmaH)), Variance: make([]float64, len(noise.SigmaH))}
		if err := s.Evaluate(pose, c.Value, nil); err != nil {
			t.Fatal(err)
		}
		for k, sigma := range noise.SigmaH {
			c.Variance[k] = sigma * sigma
		}
		fit, alone := s.Warm(c, pose), s.Exact().Warm(c, pose)
		size := func(f *solver.Result) float64 {
			return math.Sqrt(f.Covariance[0][0] + f.Covariance[1][1] + f.Covariance[2][2])
		}
		if ratio := size(&fit) / predictor.At(pose).PositionM; math.Abs(ratio-1) > 0.01 || size(&fit) < 2*size(&alone) {
			t.Errorf("pose %d: stated over predicted %.4f, %.3g mm stated, of noise alone %.3g mm", i, ratio, 1e3*size(&fit), 1e3*size(&alone))
		}
	}
}

// Tones that are all odd multiples of one frequency are all reversed half its period
// later: the plan says so, and what that means for a sensor with one coil.
func TestPlanNamesSignsThatStayOpen(t *testing.T) {
	r := load(t, "sound-card.rig.yaml")
	r.Sensors[0].Coils = r.Sensors[0].Coils[:1]
	for k := range r.Emitters {
		r.Emitters[k].ToneHz = 25 * float64(85+2*(21*k))
	}
	p, err := begin(r, Options{WindowS: 40e-3})
	if err != nil {
		t.Fatal(err)
	}
	p.Sensors = []Sensor{{Sensor: "probe", Freedom: 5}}
	if err := p.starts(context.Background()); err != nil {
		t.Fatal(err)
	}
	said := strings.Join(p.Cautions, "\n")
	for _, want := range []string{"20 ms earlier or later reverses the signs of 6 of 6 tones", "its axis may point either way"} {
		if !strings.Contains(said, want) {
			t.Errorf("%q is not said: %s", want, said)
		}
	}
}
