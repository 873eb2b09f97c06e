package cli

import (
	"math"
	"strings"
	"testing"
)

// A signal that does not keep still has no one phasor: the flag says so, and the sigma
// holds its distance from the mean. A clock that drifts for both channels is no change
// and costs nothing, whether the frequency is followed or not.
func TestPairThatChanges(t *testing.T) {
	const rate, hz, a = 20e3, 1234.56, 10e-3
	turning := func(swing func(t float64) float64) func(t float64) float64 {
		return func(t float64) float64 { return a * math.Cos(2*math.Pi*hz*t+0.4+swing(t)) }
	}
	clock := func(t float64) float64 { return 2 * math.Pi * hz * 2.5e-6 * t * t }
	reference := func(t float64) float64 { return math.Cos(2 * math.Pi * hz * t) }
	for _, c := range []struct {
		name    string
		n       int
		signal  func(t float64) float64
		drive   func(t float64) float64
		sigma   float64
		changes bool
	}{
		{"still", 60000, turning(func(float64) float64 { return 0 }), reference, 1e-4, false},
		{"still, short", 400, turning(func(float64) float64 { return 0 }), reference, 1e-4, false},
		{"phase swings", 60000, turning(func(t float64) float64 { return 1.5 * math.Sin(1.3*t) }), reference, 1e-4, true},
		{"phase turns slowly", 60000, turning(func(t float64) float64 { return 0.02 * t }), reference, 1e-4, true},
		{"phase swings, short", 400, turning(func(t float64) float64 { return 3.5 * math.Sin(90*t) }), reference, 1e-4, true},
		{"grows", 60000, func(t float64) float64 { return a * (1 + 0.02*(t-1.5)) * math.Cos(2*math.Pi*hz*t+0.4) }, reference, 1e-4, true},
		{"both drift", 160000, turning(clock), func(t float64) float64 { return math.Cos(2*math.Pi*hz*t + clock(t)) }, 1e-4, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			file := rawFile(t, rate, samples(c.n, rate, c.sigma, 1, c.signal), samples(c.n, rate, c.sigma, 2, c.drive))
			p := measuredPair(t, file)
			if p.Changes != c.changes {
				t.Errorf("changes %v, want %v", p.Changes, c.changes)
			}
			if e := math.Abs(p.AmplitudePeakV - a); e > 4*math.Sqrt2*p.SigmaAmplitudeRMSV {
				t.Errorf("amplitude %.6g ± %.2g, want %g", p.AmplitudePeakV, math.Sqrt2*p.SigmaAmplitudeRMSV, a)
			}
			// Noise alone leaves σ·√(2/N) of a component; the mean of the drift is known.
			if alone := c.sigma / math.Sqrt(float64(c.n)); !c.changes && p.SigmaAmplitudeRMSV > 1.3*alone {
				t.Errorf("sigma %.3g, of noise alone %.3g", p.SigmaAmplitudeRMSV, alone)
			}
			out := tonepose(t, append(append([]string{"measure"}, file...), "--signal", "ch1", "--reference", "ch2")...)
			if said := strings.Contains(out, "changes during the recording: use --window"); said != c.changes {
				t.Errorf("said %v:\n%s", said, out)
			}
		})
	}
}

// Without noise a sigma is what rounding leaves: what is printed beyond it is no digit
// of the truth.
func TestPairWithoutNoise(t *testing.T) {
	t.Parallel()
	const rate, hz, a = 20e3, 1234.56, 10e-3
	for _, n := range []int{400, 60000} {
		p := measuredPair(t, rawFile(t, rate, samples(n, rate, 0, 1, func(t float64) float64 { return a * math.Cos(2*math.Pi*hz*t+0.4) }),
			samples(n, rate, 0, 2, func(t float64) float64 { return math.Cos(2 * math.Pi * hz * t) })))
		if p.Changes {
			t.Errorf("%d samples: changes", n)
		}
		for what, v := range map[string][3]float64{
			"amplitude": {p.AmplitudePeakV, a, math.Sqrt2 * p.SigmaAmplitudeRMSV},
			"phase":     {p.PhaseDeg, 0.4 * 180 / math.Pi, p.SigmaPhaseDeg},
			"frequency": {p.FrequencyHz, hz, p.SigmaFrequencyHz},
		} {
			if e := math.Abs(v[0] - v[1]); e > 4*v[2] || !(v[2] > v[1]/(1<<53)) || v[2] > 1e-9*v[1] {
				t.Errorf("%d samples: %s off by %.2g, sigma %.2g", n, what, e, v[2])
			}
		}
	}
}
