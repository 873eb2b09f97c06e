package sine

import (
	"context"
	"errors"
	"math"
	"math/rand/v2"
	"testing"
)

// record is a reference with a second and a third harmonic and a line that
// disturbs, and a signal in noise.
func record(n int, rate, hz float64, rng *rand.Rand) (reference, signal []float64) {
	for i := range n {
		t := 2 * math.Pi * float64(i) / rate
		reference = append(reference, 0.3+math.Cos(hz*t)+0.1*math.Cos(2*hz*t+1)+0.05*math.Sin(3*hz*t)+
			0.2*math.Cos(0.317*rate*t)+1e-3*rng.NormFloat64())
		signal = append(signal, 0.01*math.Cos(hz*t-0.5)+0.02*rng.NormFloat64())
	}
	return reference, signal
}

// The error of the frequency is measured in the sigma that the fit states. Of
// 200 squared errors the mean lies within 4·√(2/200) = 40 % of its expectation.
func TestFindReachesItsStatedSigma(t *testing.T) {
	const trials, rate, n = 200, 1e4, 4096
	rng := rand.New(rand.NewPCG(21, 1))
	var sum float64
	for range trials {
		hz := 700 + 80*rng.Float64() // four times it stays clear of the line
		reference, signal := record(n, rate, hz, rng)
		s := NewSearch(rate, n)
		for at := 0; at < n; at += 1000 {
			s.Write(reference[at:min(n, at+1000)], signal[at:min(n, at+1000)])
		}
		tone, err := s.Find(context.Background(), 0)
		if err != nil {
			t.Fatal(err)
		}
		e := (tone.Model.Hz - hz) / tone.Fit.SigmaHz()
		sum += e * e / trials
		if !tone.Whole || len(tone.Present) < 2 || tone.Present[0] != 2 || tone.Present[1] != 3 {
			t.Fatalf("whole %v, harmonics %v: want true, 2 and 3", tone.Whole, tone.Present)
		}
	}
	if math.Abs(sum-1) > 4*math.Sqrt(2.0/trials) {
		t.Errorf("mean squared error of the frequency is %.3g of the stated variance", sum)
	}
}

// A tone of 0.2 Hz is found in the means of a long recording: the first 2¹⁸ of
// its samples hold half a cycle of it.
func TestFindsASlowToneInTheWhole(t *testing.T) {
	const rate, n, hz = 1e5, 3 << 20, 0.2
	s := NewSearch(rate, n)
	x := make([]float64, 1<<16)
	rng := rand.New(rand.NewPCG(3, 3))
	for at := 0; at < n; at += len(x) {
		for i := range x {
			x[i] = math.Cos(2*math.Pi*hz*float64(at+i)/rate) + 0.01*rng.NormFloat64()
		}
		s.Write(x, x)
	}
	tone, err := s.Find(context.Background(), 0)
	if err != nil {
		t.Fatal(err)
	}
	if e := math.Abs(tone.Model.Hz - hz); tone.Ratio < 2 || e > 5*tone.Fit.SigmaHz() { // one in 10⁶
		t.Errorf("%.9g Hz in means of %d, off by %.3g", tone.Model.Hz, tone.Ratio, e)
	}
}

func TestFindEndsWithoutATone(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 5))
	s := NewSearch(1e3, 2000)
	reference, signal := record(2000, 1e3, 90, rng)
	s.Write(reference, signal)
	if _, err := s.Find(context.Background(), 400); !errors.Is(err, ErrNoTone) {
		t.Errorf("near a frequency without a line: %v, want ErrNoTone", err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if _, err := s.Find(ctx, 0); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: %v", err)
	}
}
