package synth_test

import (
	"io"
	"math"
	"testing"

	"gonum.org/v1/gonum/mat"

	"tonepose/multitone/synth"
)

// draw reads the whole recording in blocks of the given length.
func draw(t *testing.T, c synth.Config, block int) [][]float64 {
	t.Helper()
	g, err := synth.New(c)
	if err != nil {
		t.Fatal(err)
	}
	all := make([][]float64, len(c.Channels))
	buf := make([][]float64, len(c.Channels))
	for i := range buf {
		buf[i] = make([]float64, block)
	}
	for {
		n, err := g.ReadPlanar(buf)
		for i := range all {
			all[i] = append(all[i], buf[i][:n]...)
		}
		if err == io.EOF {
			return all
		}
		if err != nil {
			t.Fatal(err)
		}
	}
}

// constant couplings.
func constant(m ...complex128) synth.Couplings {
	return func(_ float64, v, dv []complex128) error {
		copy(v, m)
		clear(dv)
		return nil
	}
}

// Rounding: the phase at 1 s of 10 kHz, 6e4 rad, is good to 6e4·2⁻⁵³ = 7e-12 in
// the tests' closed forms, and as much in the generator.
const rounding = 1.4e-11

func TestPickupAndReferenceAgainstClosedForm(t *testing.T) {
	const rate, hz, ppm, delay, gain = 100e3, 5125.0, 37.0, 1.5e-6, 100.0
	const amps, phase, m, ohm = 0.5, 0.4, 3e-7, 0.8
	got := draw(t, synth.Config{
		Rate: rate, Samples: 100000, ClockPPM: ppm,
		Tones: []synth.Tone{{Hz: hz, Current: amps, Phase: phase}},
		Channels: []synth.Channel{
			{Pickup: true, Gain: gain, Delay: delay},
			{Transimpedance: []complex128{ohm}, Delay: 2e-6, Offset: 0.1, Drift: 0.01},
		},
		Couplings: constant(m),
	}, 1000)
	omega := 2 * math.Pi * hz * (1 + ppm*1e-6)
	for n := range got[0] {
		at := float64(n) / rate
		// v = −d(M·A·cos(ωt+φ))/dt = ω·M·A·sin(ωt+φ), late by the delay.
		want := gain * omega * m * amps * math.Sin(omega*(at-delay)+phase)
		if d := math.Abs(got[0][n] - want); d > rounding*gain*omega*m*amps {
			t.Fatalf("pickup, sample %d: %g V, want %g V", n, got[0][n], want)
		}
		ref := 0.1 + 0.01*at + ohm*amps*math.Cos(omega*(at-2e-6)+phase)
		if d := math.Abs(got[1][n] - ref); d > rounding*ohm*amps {
			t.Fatalf("reference, sample %d: %g V, want %g V", n, got[1][n], ref)
		}
	}
}

func TestClockDriftAndOwnOffsetBendThePhaseQuadratically(t *testing.T) {
	const rate, hz, amps = 100e3, 5125.0, 0.5
	got := draw(t, synth.Config{
		Rate: rate, Samples: 100000, ClockPPM: 20, ClockDrift: 3,
		Tones:    []synth.Tone{{Hz: hz, Current: amps, OffsetPPM: -5}},
		Channels: []synth.Channel{{Transimpedance: []complex128{1}}},
	}, 512)
	for n, v := range got[0] {
		at := float64(n) / rate
		// The integral of 2π·Hz·(1 + 15e-6 + 3e-6·t).
		want := amps * math.Cos(2*math.Pi*hz*(at*(1+15e-6)+3e-6*at*at/2))
		if math.Abs(v-want) > rounding*amps {
			t.Fatalf("sample %d: %g V, want %g V", n, v, want)
		}
	}
}

// A clock of any course. The quadratic phase over 256 samples misses what the rate bends
// in h = 2.56 ms, at most h³/12 times its second derivative (π·0.8 a second squared
// times 2 ppm).
func TestClockOfAnyCourse(t *testing.T) {
	const rate, hz, size, spin = 100e3, 5125.0, 2e-6, math.Pi * 0.8
	got := draw(t, synth.Config{
		Rate: rate, Samples: 100000, ClockPPM: 20, ClockDrift: 3,
		Tones:    []synth.Tone{{Hz: hz, Current: 1}},
		Channels: []synth.Channel{{Transimpedance: []complex128{1}}},
		Clock: func(t float64) (ahead, rate float64) {
			s, c := math.Sincos(spin * t)
			return size * s / spin, size * c
		},
	}, 512)
	limit := rounding + 2*math.Pi*hz*size*spin*spin*math.Pow(256/rate, 3)/12
	for n, v := range got[0] {
		at := float64(n) / rate
		want := math.Cos(2 * math.Pi * hz * (at*(1+20e-6) + 3e-6*at*at/2 + size*math.Sin(spin*at)/spin))
		if math.Abs(v-want) > limit {
			t.Fatalf("sample %d: %g V, want %g V within %g", n, v, want, limit)
		}
	}
}

func TestMotionAddsQuadrature(t *testing.T) {
	// M(t) = M0 + M1·t is its own cubic, so the fit of the four columns
	// cos, sin, t·cos, t·sin is exact: V = (−jωM − dM/dt)·I, hence
	// V/(−jωI) = M − j(dM/dt)/ω.
	const rate, hz, amps, m0, m1 = 100e3, 7575.0, 0.5, 2e-7, 8e-6
	got := draw(t, synth.Config{
		Rate: rate, Samples: 2000,
		Tones:    []synth.Tone{{Hz: hz, Current: amps}},
		Channels: []synth.Channel{{Pickup: true}},
		Couplings: func(t float64, m, dm []complex128) error {
			m[0], dm[0] = complex(m0+m1*t, 0), m1
			return nil
		},
	}, 256)
	omega := 2 * math.Pi * hz
	a := mat.NewDense(len(got[0]), 4, nil)
	for n := range got[0] {
		at := float64(n) / rate
		s, c := math.Sincos(omega * at)
		a.SetRow(n, []float64{c, -s, at * c, -at * s})
	}
	var x mat.VecDense
	if err := x.SolveVec(a, mat.NewVecDense(len(got[0]), got[0])); err != nil {
		t.Fatal(err)
	}
	v := complex(x.AtVec(0), x.AtVec(1)) // at time zero
	coupling := v / complex(0, -omega*amps)
	if math.Abs(real(coupling)-m0) > 1e-9*m0 {
		t.Errorf("Re M = %.12g H, want %g H", real(coupling), m0)
	}
	if want := -m1 / omega; math.Abs(imag(coupling)-want) > 1e-8*math.Abs(want) {
		t.Errorf("Im M = %.12g H, want −(dM/dt)/ω = %.12g H", imag(coupling), want)
	}
}

func TestMovingComplexCouplingAgainstClosedForm(t *testing.T) {
	const rate, hz, amps, gain, delay = 100e3, 5125.0, 0.5, 10.0, 3e-6
	const knot, spin = 1e-3, 2 * math.Pi * 8.0
	wander := synth.Wander{Relative: 0.02, Hz: 5, Phase: 0.3}
	m := func(at float64) (complex128, complex128) {
		s, c := math.Sincos(spin * at)
		return complex(1e-7*(2+s), 3e-9*c), complex(1e-7*spin*c, -3e-9*spin*s)
	}
	got := draw(t, synth.Config{
		Rate: rate, Samples: 30000, KnotStep: knot,
		Tones: []synth.Tone{{Hz: hz, Current: amps, Phase: 1, Wander: wander}},
		Channels: []synth.Channel{
			{Pickup: true, Gain: gain, Delay: delay},
			{Pickup: true, Response: []complex128{complex(0, 2)}},
		},
		Couplings: func(t float64, v, dv []complex128) error {
			v[0], dv[0] = m(t)
			v[1], dv[1] = m(t)
			return nil
		},
	}, 777)
	omega := 2 * math.Pi * hz
	phasor := func(at float64) complex128 { // V·e^{jωt} = −d(M·I)/dt
		v, dv := m(at)
		a := amps * (1 + wander.Relative*math.Sin(2*math.Pi*wander.Hz*at+wander.Phase))
		da := amps * wander.Relative * 2 * math.Pi * wander.Hz * math.Cos(2*math.Pi*wander.Hz*at+wander.Phase)
		s, c := math.Sincos(omega*at + 1)
		return -((complex(0, omega)*v+dv)*complex(a, 0) + v*complex(da, 0)) * complex(c, s)
	}
	// Cubic Hermite: |M error| ≤ h⁴|M⁗|/384, |slope error| ≤ √3·h³|M⁗|/216.
	fourth := 1.04e-7 * math.Pow(spin, 4)
	bound := amps * 1.02 * fourth * (omega*math.Pow(knot, 4)/384 + math.Sqrt(3)*math.Pow(knot, 3)/216)
	if peak := amps * omega * 3e-7; bound > 1e-6*peak {
		t.Fatalf("bound %g V is no test against a peak of %g V", bound, peak)
	}
	for n := range got[0] {
		at := float64(n) / rate
		if want := gain * real(phasor(at-delay)); math.Abs(got[0][n]-want) > gain*bound {
			t.Fatalf("sample %d: %g V, want %g V within %g", n, got[0][n], want, gain*bound)
		}
		if want := real(complex(0, 2) * phasor(at)); math.Abs(got[1][n]-want) > 2*bound {
			t.Fatalf("response, sample %d: %g V, want %g V", n, got[1][n], want)
		}
	}
}

func TestCrosstalkAddsToPickup(t *testing.T) {
	c := synth.Config{
		Rate: 50e3, Samples: 1000,
		Tones:     []synth.Tone{{Hz: 3000, Current: 0.5}, {Hz: 4000, Current: 0.25}},
		Channels:  []synth.Channel{{Pickup: true, Gain: -3, Transimpedance: []complex128{complex(0, 1e-4), 2e-4}}},
		Couplings: constant(0, 0),
	}
	got := draw(t, c, 100)
	for n, v := range got[0] {
		at := 2 * math.Pi * float64(n) / c.Rate
		want := -3 * (-1e-4*0.5*math.Sin(3000*at) + 2e-4*0.25*math.Cos(4000*at))
		if math.Abs(v-want) > rounding*3e-4 {
			t.Fatalf("sample %d: %g V, want %g V", n, v, want)
		}
	}
}

func TestSamplesDoNotDependOnBlockLength(t *testing.T) {
	c := synth.Config{
		Rate: 48e3, Samples: 5000, Seed: 7,
		Tones: []synth.Tone{{Hz: 3000, Current: 0.5}},
		Channels: []synth.Channel{
			{Pickup: true, Noise: synth.Noise{Density: 1e-6, Corner: 300}, Mains: 1e-3, Delay: -2e-4},
			{Pickup: true, Noise: synth.Noise{Density: 1e-6}, Delay: 3e-2, Quantiser: synth.Quantiser{Bits: 16, FullScale: 1}},
		},
		Couplings: func(t float64, m, dm []complex128) error {
			m[0], dm[0] = complex(1e-6*math.Sin(30*t), 0), complex(30e-6*math.Cos(30*t), 0)
			m[1], dm[1] = m[0], dm[0]
			return nil
		},
		Mains: synth.Mains{Hz: 60.01},
	}
	a, b := draw(t, c, 1), draw(t, c, 4999)
	c.Seed = 8
	other := draw(t, c, 4999)
	for ch := range a {
		if len(a[ch]) != 5000 || len(b[ch]) != 5000 {
			t.Fatalf("channel %d: %d and %d samples, want 5000", ch, len(a[ch]), len(b[ch]))
		}
		same := 0
		for n := range a[ch] {
			if a[ch][n] != b[ch][n] {
				t.Fatalf("channel %d, sample %d: %g V and %g V", ch, n, a[ch][n], b[ch][n])
			}
			if a[ch][n] == other[ch][n] {
				same++
			}
		}
		if same > 500 {
			t.Errorf("channel %d: another seed gives %d of 5000 equal samples", ch, same)
		}
	}
}

func TestBadConfigNamesFieldAndValue(t *testing.T) {
	good := func() synth.Config {
		return synth.Config{Rate: 1e5, Tones: []synth.Tone{{Hz: 1000, Current: 1}}, Channels: []synth.Channel{{}}}
	}
	for want, spoil := range map[string]func(*synth.Config){
		"synth: Rate = 0: must be positive and finite":                                  func(c *synth.Config) { c.Rate = 0 },
		"synth: Samples = -1: must be 0 or more":                                        func(c *synth.Config) { c.Samples = -1 },
		"synth: the number of Channels = 0: must be 1 or more":                          func(c *synth.Config) { c.Channels = nil },
		"synth: Tones[0].Hz = -5: must be positive and finite":                          func(c *synth.Config) { c.Tones[0].Hz = -5 },
		"synth: Tones[0].Current = NaN: must be finite":                                 func(c *synth.Config) { c.Tones[0].Current = math.NaN() },
		"synth: Channels[0].Delay = 2: must be within ±0.1 s":                           func(c *synth.Config) { c.Channels[0].Delay = 2 },
		"synth: Channels[0].Pickup = true: must be false without Config.Couplings":      func(c *synth.Config) { c.Channels[0].Pickup = true },
		"synth: Channels[0].Transimpedance = [(1+0i) (2+0i)]: must be one entry a tone": func(c *synth.Config) { c.Channels[0].Transimpedance = []complex128{1, 2} },
		"synth: Channels[0].Quantiser.FullScale = 0: must be positive and finite":       func(c *synth.Config) { c.Channels[0].Quantiser.Bits = 16 },
		"synth: Channels[0].Quantiser.Bits = 40: must be 2 to 32":                       func(c *synth.Config) { c.Channels[0].Quantiser.Bits = 40 },
		"synth: Channels[0].Noise.Density = -1: must be 0 or more":                      func(c *synth.Config) { c.Channels[0].Noise.Density = -1 },
	} {
		c := good()
		spoil(&c)
		if _, err := synth.New(c); err == nil || err.Error() != want {
			t.Errorf("got %v, want %q", err, want)
		}
	}
}

func TestCouplingThatIsNotFiniteIsReported(t *testing.T) {
	g, err := synth.New(synth.Config{
		Rate: 1e5, Tones: []synth.Tone{{Hz: 1000, Current: 1}}, Channels: []synth.Channel{{Pickup: true}},
		Couplings: func(t float64, m, dm []complex128) error {
			m[0], dm[0] = 1e-7, 0
			if t > 0.0015 {
				m[0] = complex(math.NaN(), 0)
			}
			return nil
		},
	})
	if err != nil {
		t.Fatal(err)
	}
	n, err := g.ReadPlanar([][]float64{make([]float64, 1000)})
	if err == nil || n > 200 {
		t.Errorf("read %d samples, error %v: want an error before 1.5 ms + a knot", n, err)
	}
}
