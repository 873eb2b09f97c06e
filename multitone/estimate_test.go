package multitone

import (
	"errors"
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"
)

// sines writes Σ Re{X·exp(j2πft)} with t counted from the first sample.
func sines(dst []float64, rate float64, hz []float64, x []complex128) {
	for n := range dst {
		for i, f := range hz {
			turns := f * float64(n) / rate
			dst[n] += real(x[i] * unit(cycles(turns)))
		}
	}
}

func noise(dst []float64, sigma float64, rng *rand.Rand) {
	for n := range dst {
		dst[n] += sigma * rng.NormFloat64()
	}
}

// Stationary tones estimated jointly do not leak into each other: the error of
// a noiseless estimate is rounding, times the condition of the joint fit. The
// bar of −120 dB (1e-6) is for any spacing beyond the main lobe; 1e-10 leaves
// room for an accumulation over 8000 products at 2⁻⁵³ relative to a neighbour
// 60 dB higher.
func TestJointTonesDoNotLeak(t *testing.T) {
	const rate = 100e3
	rng := rand.New(rand.NewPCG(3, 4))
	for _, n := range []int64{997, 1000, 8000, 40001} {
		for trial := range 20 {
			bin := rate / float64(n)
			f0 := 3000 + 20000*rng.Float64()
			hz := []float64{f0, f0 + (2.1+3*rng.Float64())*bin, 31234.5}
			x := []complex128{1e-3 * unit(rng.Float64()), unit(rng.Float64()), 0.3 * unit(rng.Float64())}
			c := Config{SampleRate: rate, Channels: 1}
			for _, f := range hz {
				c.Tones = append(c.Tones, Tone{Hz: f})
			}
			samples := make([]float64, n)
			sines(samples, rate, hz, x)
			all := new(Intervals)
			v, err := all.Begin(c, 0, n)
			if err != nil {
				t.Fatal(err)
			}
			all.Write([][]float64{samples}, 0)
			f, err := v.Frame()
			if err != nil {
				t.Fatal(err)
			}
			for k := range hz {
				got, _ := f.At(k, 0)
				if d := cmplx.Abs(got - x[k]); d > 1e-10 {
					t.Errorf("n=%d trial %d tone %d: off by %.3g", n, trial, k, d)
				}
			}
		}
	}
}

// A chunked interval and one that fits a single chunk are the same sums.
func TestIntervalIsTheSameInAnyBlocks(t *testing.T) {
	const rate = 50e3
	rng := rand.New(rand.NewPCG(5, 6))
	n := int64(3*maxChunk + 123)
	samples := make([]float64, n+100)
	noise(samples, 1, rng)
	c := Config{SampleRate: rate, Channels: 1, Tones: []Tone{{Hz: 1234.5}}}
	var want complex128
	for trial := range 3 {
		all := new(Intervals)
		v, err := all.Begin(c, 50, 50+n)
		if err != nil {
			t.Fatal(err)
		}
		step := []int{len(samples), 1000, 777}[trial]
		for at := 0; at < len(samples); at += step {
			all.Write([][]float64{samples[at:min(at+step, len(samples))]}, int64(at))
		}
		f, err := v.Frame()
		if err != nil {
			t.Fatal(err)
		}
		got, _ := f.At(0, 0)
		if trial == 0 {
			// the definition: with one tone, offset and ramp the joint fit
			// differs from the plain projection by the leakage only, which a
			// direct weighted sum bounds by 2/(N·sin(ω/2))
			var sum complex128
			for i, s := range samples[50 : 50+n] {
				sum += complex(s, 0) * unit(-cycles(1234.5*float64(50+i)/rate))
			}
			plain := sum * complex(2/float64(n), 0)
			if cmplx.Abs(got-plain) > 1e-4 {
				t.Errorf("joint %v, plain %v", got, plain)
			}
			want = got
		}
		if d := cmplx.Abs(got - want); d > 1e-15*float64(n) {
			t.Errorf("blocks of %d: off by %.3g", step, d)
		}
	}
}

// Offset, ramp and mains lines are estimated jointly, so they leave the tones
// alone: without noise what remains is the part of a ramp that its sine does not
// carry.
func TestLinesAndDriftStayOut(t *testing.T) {
	const rate, n = 100e3, 8000
	lines := []float64{49.97, 149.91, 249.85}
	samples := make([]float64, n)
	sines(samples, rate, append([]float64{5123.4}, lines...), []complex128{1e-3, 20e-3, complex(0, 10e-3), 6e-3})
	for i := range samples {
		samples[i] += 7e-3 + 1e-3*float64(i)/n
	}
	c := Config{SampleRate: rate, Channels: 1, Tones: []Tone{{Hz: 5123.4}}, Lines: lines}
	all := new(Intervals)
	v, err := all.Begin(c, 0, n)
	if err != nil {
		t.Fatal(err)
	}
	all.Write([][]float64{samples}, 0)
	f, err := v.Frame()
	if err != nil {
		t.Fatal(err)
	}
	// What the sine leaves of the ramp is below driftBins' 0.4 % of its half,
	// 2e-6; at 400 bins that leaks by less than 1/(π·400).
	if got, _ := f.At(0, 0); cmplx.Abs(got-1e-3) > 2e-6/(math.Pi*400) {
		t.Errorf("phasor %v, want 1e-3", got)
	}
}

// The variance of in-phase and quadrature is the Cramér–Rao bound 2σ²/N, times
// the window's NENBW (Hann 1.5: Harris 1978, table I), whatever the length
// and frequency; so is what the frame states. Of 4000 squared errors the mean
// lies within 4 of its standard deviations, 4·√(2/4000) = 9 %, of its value.
func TestVarianceIsTheBound(t *testing.T) {
	const rate, trials = 100e3, 2000
	for _, test := range []struct {
		name   string
		cosine []float64
		nenbw  float64
	}{{"rectangular", []float64{1}, 1}, {"hann", []float64{0.5, 0.5}, 1.5}} {
		rng := rand.New(rand.NewPCG(7, 8))
		const n = 1000
		hz := []float64{5123.4, 7577.7}
		x := []complex128{1, complex(0, 0.5)}
		c := Config{SampleRate: rate, Channels: 1, Tones: []Tone{{Hz: hz[0]}, {Hz: hz[1]}}}
		b, err := NewBank(c, Framing{Length: n, Cosine: test.cosine})
		if err != nil {
			t.Fatal(err)
		}
		samples := make([]float64, n*trials)
		sines(samples, rate, hz, x)
		const sigma = 3.0
		noise(samples, sigma, rng)
		var sum, stated float64
		emit := func(f *Frame) error {
			for k := range hz {
				v, variance := f.At(k, 0)
				d := v - x[k]
				sum += (real(d)*real(d) + imag(d)*imag(d)) / (4 * trials)
				stated += variance / (2 * trials)
			}
			return nil
		}
		if err := b.Write([][]float64{samples}, emit); err != nil {
			t.Fatal(err)
		}
		if err := b.Flush(emit); err != nil {
			t.Fatal(err)
		}
		bound := test.nenbw * 2 * sigma * sigma / n
		if r := sum / bound; math.Abs(r-1) > 4*math.Sqrt(2.0/(4*trials)) {
			t.Errorf("%s: variance %.4f of the bound", test.name, r)
		}
		// 6 probes of two components in 2000 half-overlapping Hann windows
		if r := stated / bound; math.Abs(r-1) > 0.05 {
			t.Errorf("%s: stated variance %.4f of the bound", test.name, r)
		}
	}
}

// A tone that keeps still bends by chance only: the sum is chi-square
// distributed. One that grows by a square law over the window bends visibly.
func TestBend(t *testing.T) {
	const rate, n, frames = 100e3, 1000, 400
	rng := rand.New(rand.NewPCG(9, 10))
	c := Config{SampleRate: rate, Channels: 2, Tones: []Tone{{Hz: 5125}, {Hz: 9925}}}
	for _, bent := range []bool{false, true} {
		b, err := NewBank(c, Framing{Length: n})
		if err != nil {
			t.Fatal(err)
		}
		x := [][]float64{make([]float64, n*frames), make([]float64, n*frames)}
		for ch := range x {
			sines(x[ch], rate, []float64{5125, 9925}, []complex128{1, 1})
			if bent {
				for i := range x[ch] {
					u := float64(i%n)/n - 0.5
					x[ch][i] *= 1 + 0.2*u*u
				}
			}
			noise(x[ch], 0.01, rng)
		}
		var sum, dof, pull float64
		emit := func(f *Frame) error {
			sum += f.Bend
			dof += float64(f.BendDOF)
			for _, v := range f.Pull {
				pull += v / float64(frames*len(f.Pull))
			}
			return nil
		}
		if err := b.Write(x, emit); err != nil {
			t.Fatal(err)
		}
		if err := b.Flush(emit); err != nil {
			t.Fatal(err)
		}
		if want := 8.0 * frames; dof != want {
			t.Fatalf("%g degrees of freedom, want %g", dof, want)
		}
		// The noise of the estimate is known to about 3 %, and the mean of 3200
		// squares to 2.5 %: 15 % is four of both together.
		if r := sum / dof; !bent && math.Abs(r-1) > 0.15 || bent && r < 3 {
			t.Errorf("bent %v: %.3f of the degrees of freedom", bent, r)
		}
		// Under w = 1 + cos 2πu the mean of u² is 1/12 − 1/2π², which is how far the
		// phasor is pulled. The fit of u² by 1 and cos 2πu has −0.00532 at the centre in
		// place of 0, so the pull is overestimated by 16 %. The noise of one is 17 % of it
		// at the most, of 1600 together less than 1 %.
		if want := 0.2 * (1./12 - 1/(2*math.Pi*math.Pi) + 0.00532); bent && math.Abs(math.Sqrt(pull)/want-1) > 0.02 {
			t.Errorf("pull %.5f, want %.5f", math.Sqrt(pull), want)
		}
		// Of a still tone |b|² is exponential with mean 2v, so it exceeds that by 2v/e in
		// the mean; v is a few times a phasor's own 3σ²/N.
		if !bent && pull > 2/math.E*4*3*0.01*0.01/n {
			t.Errorf("pull of a still tone %.3g", pull)
		}
	}
}

func TestReferenceHasNoQuadrature(t *testing.T) {
	const rate, n = 48e3, 4800
	x := [][]float64{make([]float64, n), make([]float64, n)}
	sines(x[0], rate, []float64{1003.3}, []complex128{2 * unit(0.1)})
	sines(x[1], rate, []float64{1003.3}, []complex128{0.5 * unit(0.1+0.25)})
	c := Config{SampleRate: rate, Channels: 2, Tones: []Tone{{Hz: 1003.3, Reference: OnChannel(0)}}}
	all := new(Intervals)
	v, err := all.Begin(c, 0, n)
	if err != nil {
		t.Fatal(err)
	}
	all.Write(x, 0)
	f, err := v.Frame()
	if err != nil {
		t.Fatal(err)
	}
	ref, _ := f.At(0, 0)
	sig, _ := f.At(0, 1)
	if imag(ref) != 0 || math.Abs(real(ref)-2) > 1e-12 {
		t.Errorf("reference %v, want 2", ref)
	}
	if cmplx.Abs(sig-complex(0, 0.5)) > 1e-12 { // a quarter turn ahead
		t.Errorf("signal %v, want 0.5j", sig)
	}
}

// A tone of which nothing is said has no reference: channel 0 keeps its phase, relative to the
// recording's first sample.
func TestToneWithoutReference(t *testing.T) {
	const rate, hz, peak, lead = 1000.0, 110.0, 0.7, 1.1
	x := make([]float64, 100)
	for i := range x {
		x[i] = peak * math.Cos(2*math.Pi*hz*float64(i)/rate+lead)
	}
	for _, test := range []struct {
		reference  Reference
		want, kept complex128
	}{
		{Reference{}, cmplx.Rect(peak, lead), 0},
		{OnChannel(0), peak, cmplx.Rect(peak, lead+2*math.Pi*hz*99/2/rate)}, // at the window's middle
	} {
		b, err := NewBank(Config{SampleRate: rate, Channels: 1, Tones: []Tone{{Name: "a", Hz: hz, Reference: test.reference}}}, Framing{Length: len(x)})
		if err != nil {
			t.Fatal(err)
		}
		frames := 0
		// A fit of 100 samples to a pure tone errs by rounding alone: 100·2⁻⁵² of the peak at most.
		const within = 100 * peak / (1 << 52)
		emit := func(f *Frame) error {
			frames++
			if v, _ := f.At(0, 0); !(cmplx.Abs(v-test.want) < within) || !(cmplx.Abs(f.Reference[0]-test.kept) < within) {
				t.Errorf("%+v: phasor %v of reference %v, want %v of %v", test.reference, v, f.Reference[0], test.want, test.kept)
			}
			return nil
		}
		if err := errors.Join(b.Write([][]float64{x}, emit), b.Flush(emit)); err != nil || frames != 1 {
			t.Errorf("%d frames, %v", frames, err)
		}
	}
	if channel, ok := (Tone{}).Reference.Channel(); ok {
		t.Errorf("a tone of which nothing is said has its reference on channel %d", channel)
	}
}

func TestConfigErrorsNameTheValue(t *testing.T) {
	for _, c := range []Config{
		{},
		{SampleRate: 1000, Channels: 1},
		{SampleRate: 1000, Channels: 1, Tones: []Tone{{Name: "e1", Hz: 600}}},
		{SampleRate: 1000, Channels: 1, Tones: []Tone{{Name: "e1", Hz: 100, Reference: OnChannel(1)}}},
		{SampleRate: 1000, Channels: 1, Tones: []Tone{{Name: "e1", Hz: 100, Reference: OnChannel(-1)}}},
	} {
		if _, err := NewBank(c, Framing{Length: 100}); err == nil {
			t.Errorf("%+v was accepted", c)
		}
	}
}

// Rectangular windows shorter than the mains' period, between lines much nearer
// than a bin: the fit must be possible, leave a tone by itself exact, and keep
// the lines out as far as the bound in system.go says.
func TestLinesThatNoWindowTellsApart(t *testing.T) {
	const rate, lines, level = 100e3, 80, 0.01
	rng := rand.New(rand.NewPCG(21, 22))
	cfg := Config{SampleRate: rate, Channels: 2}
	for k := range 8 {
		cfg.Tones = append(cfg.Tones, Tone{Name: fmt.Sprint("e", k+1), Hz: 5125 + 1200*float64(k)})
	}
	var hz []float64
	var amplitudes []complex128
	for _, tone := range cfg.Tones {
		hz, amplitudes = append(hz, tone.Hz), append(amplitudes, complex(rng.NormFloat64(), rng.NormFloat64()))
	}
	for h := 1; h <= lines; h++ {
		cfg.Lines = append(cfg.Lines, 50*float64(h))
		hz, amplitudes = append(hz, 50*float64(h)), append(amplitudes, cmplx.Rect(level, 2*math.Pi*rng.Float64()))
	}
	for _, length := range []int{300, 500, 667, 1000, 1500, 2000, 4000} {
		x := [][]float64{make([]float64, length), make([]float64, length)}
		sines(x[0], rate, hz[:8], amplitudes[:8])
		sines(x[1], rate, hz, amplitudes)
		bank, err := NewBank(cfg, Framing{Length: length, Cosine: []float64{1}, NoNoise: true})
		if err != nil {
			t.Errorf("%d samples: %v", length, err)
			continue
		}
		err = bank.Write(x, func(f *Frame) error {
			for k := range cfg.Tones {
				want := amplitudes[k]
				// Rounding of numbers around 3 by a system of condition 1/ridge.
				alone, _ := f.At(k, 0)
				if d := cmplx.Abs(alone - want); d > 3*0x1p-53/ridge {
					t.Errorf("%d samples: tone %d alone off by %.2g", length, k+1, d)
				}
				v := bank.analysis.estimator.gain[k] * float64(length) / 2
				amid, _ := f.At(k, 1)
				if d := cmplx.Abs(amid - want); d > math.Sqrt(ridge*lines*v)*level {
					t.Errorf("%d samples: tone %d amid the lines off by %.2g, variance %.3g times that of a tone alone", length, k+1, d, v)
				}
			}
			return nil
		})
		if err != nil {
			t.Error(err)
		}
	}
}

// A tone amid a row of harmonics that are closer than a bin: no length of window is refused
// for them, and a tone by itself stays exact.
func TestToneAmidLinesCloserThanABin(t *testing.T) {
	const rate = 100e3
	cfg := Config{SampleRate: rate, Channels: 1, Tones: []Tone{{Hz: 2125}, {Hz: 5125}}}
	for h := 1; h <= 80; h++ {
		cfg.Lines = append(cfg.Lines, 50*float64(h))
	}
	want := []complex128{complex(0.3, -0.4), complex(-1, 0.2)}
	for _, length := range []int{300, 376, 450, 800, 1500} {
		x := make([]float64, length)
		sines(x, rate, []float64{2125, 5125}, want)
		bank, err := NewBank(cfg, Framing{Length: length, Cosine: []float64{1}, NoNoise: true})
		if err != nil {
			t.Errorf("%d samples: %v", length, err)
			continue
		}
		err = bank.Write([][]float64{x}, func(f *Frame) error {
			for k := range want {
				// Rounding of numbers around 3 by a system of condition 1/ridge.
				if got, _ := f.At(k, 0); cmplx.Abs(got-want[k]) > 3*0x1p-53/ridge {
					t.Errorf("%d samples: tone %d off by %.2g", length, k+1, cmplx.Abs(got-want[k]))
				}
			}
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
	}
}
