package coupling

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"

	"tonepose/multitone"
)

// Noise of a reference moves all couplings of its emitter alike: over many draws
// their covariance is Common times the product of the couplings, and each has
// that in its variance. The covariance of n draws scatters by about
// √((1 + ρ²)/n)·σσ', ρ the correlation.
func TestCommon(t *testing.T) {
	const n = 20000
	const sigma, amplitude, weak = 2e-3, 0.25, 1e-6 // [V]
	f := &multitone.Frame{Channels: 3, Hz: []float64{5000}, Phasor: make([]complex128, 3), Variance: []float64{weak * weak, weak * weak, sigma * sigma}}
	emitters := []Emitter{{Reference: multitone.OnChannel(2), PerAmp: 0.5}}
	pickups := []Pickup{{Channel: 0, Response: []complex128{1}}, {Channel: 1, Response: []complex128{1}}}
	m := NewMatrix(1, 2)
	exact := []complex128{3e-3i, -1e-3i}
	var sum, square [2]float64
	var cross, common, variance float64
	r := rand.New(rand.NewPCG(1, 2))
	noise := func(s float64) complex128 { return complex(s*r.NormFloat64(), s*r.NormFloat64()) }
	for range n {
		f.Phasor[0], f.Phasor[1], f.Phasor[2] = exact[0]+noise(weak), exact[1]+noise(weak), amplitude+noise(sigma)
		m.Fill(f, emitters, pickups)
		a, b := real(m.Value[0]), real(m.Value[1])
		sum[0], sum[1] = sum[0]+a, sum[1]+b
		square[0], square[1] = square[0]+a*a, square[1]+b*b
		cross += a * b
		common += m.Common[0] / n
		variance += m.Variance[0] / n
	}
	truth := make([]float64, 2)
	for i := range truth {
		truth[i] = real(exact[i] / (complex(0, -2*math.Pi*5000) * (amplitude / emitters[0].PerAmp)))
	}
	of := func(i int) float64 { return square[i]/n - sum[i]/n*sum[i]/n }
	covariance := cross/n - sum[0]/n*sum[1]/n
	want := common * truth[0] * truth[1]
	if bound := 4 * math.Sqrt(2*of(0)*of(1)/n); math.Abs(covariance-want) > bound {
		t.Errorf("covariance %.4g: want %.4g ± %.2g", covariance, want, bound)
	}
	if bound := 4 * math.Sqrt(2./n) * of(0); math.Abs(of(0)-variance) > bound {
		t.Errorf("variance %.4g, stated %.4g ± %.2g", of(0), variance, bound)
	}
	if want := sigma * sigma / (amplitude * amplitude); math.Abs(common-want) > 1e-3*want { // noise raises the square of the amplitude by 2·(σ/A)² = 1.3e-4
		t.Errorf("Common is %.5g: want %.5g", common, want)
	}
}

// A baseline may leave a coupling larger than what was measured; no variance then
// has less than its share of what is common.
func TestSubtractKeepsShares(t *testing.T) {
	m, baseline := NewMatrix(1, 2), NewMatrix(1, 2)
	m.Value[0], m.Value[1] = 1e-9, 2e-9
	m.Common[0] = 1e-4
	for i, v := range m.Value {
		m.Variance[i] = m.Common[0] * math.Pow(cmplx.Abs(v), 2)
	}
	baseline.Value[0], baseline.Value[1] = -1e-9, 1e-9
	if err := m.Subtract(baseline); err != nil {
		t.Fatal(err)
	}
	for i, v := range m.Value {
		if share := m.Common[0] * math.Pow(cmplx.Abs(v), 2); share > m.Variance[i]*(1+1e-12) {
			t.Errorf("coupling %d has a variance of %g, of which %g is common", i, m.Variance[i], share)
		}
	}
}

// A coil that couples 2 µH with a current of 0.5 A at 0.3 rad sees V = −jωM·I, Faraday's
// law with Lenz's sign; its channel turns and scales that. The variance of the coupling is
// the voltage's over what multiplies M, and the current's relative one of M.
func TestCouplingIsFaradays(t *testing.T) {
	const hz, m, relative = 5e3, 2e-6, 1e-6
	current, response := cmplx.Rect(0.5, 0.3), cmplx.Rect(100, -0.2)
	volts := complex(0, -2*math.Pi*hz) * m * current * response
	f := &multitone.Frame{Channels: 1, Hz: []float64{hz}, Phasor: []complex128{volts}, Variance: []float64{1e-12}}
	got := NewMatrix(1, 1)
	got.Fill(f, []Emitter{{CurrentA: current, Relative: relative}},
		[]Pickup{{Channel: 0, Response: []complex128{response}}})
	if off := cmplx.Abs(got.Value[0]-m) / m; off > 1e-14 { // a few roundings
		t.Errorf("coupling %v, want %g", got.Value[0], m)
	}
	per := 2 * math.Pi * hz * 0.5 * 100 // [V/H]
	if want := 1e-12/(per*per) + relative*m*m; math.Abs(got.Variance[0]/want-1) > 1e-14 {
		t.Errorf("variance %g, want %g", got.Variance[0], want)
	}
}
