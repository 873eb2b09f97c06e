package multitone

import (
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"

	lowpass "tonepose/multitone/window"
)

// through feeds samples in pieces of uneven length and returns copies of the
// frames.
func through(t testing.TB, s *Continuous, x [][]float64) []Frame {
	t.Helper()
	var out []Frame
	view := make([][]float64, len(x))
	for from, n := 0, 1; from < len(x[0]); from, n = from+n, n*2%3001+1 {
		n = min(n, len(x[0])-from)
		for c := range x {
			view[c] = x[c][from : from+n]
		}
		err := s.Write(view, func(f *Frame) error {
			g := *f
			g.Phasor = append([]complex128(nil), f.Phasor...)
			g.Variance = append([]float64(nil), f.Variance...)
			g.Reference = append([]complex128(nil), f.Reference...)
			g.Hz = append([]float64(nil), f.Hz...)
			out = append(out, g)
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	return out
}

func sine(n int, amplitude, turnsPerSample, turns float64) []float64 {
	x := make([]float64, n)
	for i := range x {
		x[i] = amplitude * math.Cos(2*math.Pi*cycles(turnsPerSample*float64(i)+turns))
	}
	return x
}

var lowPasses = []lowpass.Spec{
	{Kind: lowpass.Cascade, Order: 1, CutoffHz: 20},
	{Kind: lowpass.Cascade, Order: 4, TimeConstantS: 4e-3},
	{Kind: lowpass.Cascade, Order: 8, ENBWHz: 30},
	{Kind: lowpass.Butterworth, Order: 1, CutoffHz: 20},
	{Kind: lowpass.Butterworth, Order: 2, CutoffHz: 40},
	{Kind: lowpass.Butterworth, Order: 5, ENBWHz: 30},
	{Kind: lowpass.Butterworth, Order: 8, CutoffHz: 30},
}

func specName(s lowpass.Spec) string { return fmt.Sprintf("%v%d", s.Kind, s.Order) }

// A sinusoid beside the tone must come out as much smaller as the closed form
// of the filter says, which window checks against published tables.
func TestContinuousRejectsAsStated(t *testing.T) {
	const rate, tone = 20000.0, 3000.0
	for _, spec := range lowPasses {
		for _, away := range []float64{17, 60, 170} {
			s, err := NewContinuous(Config{SampleRate: rate, Channels: 1, Tones: []Tone{{Name: "a", Hz: tone}}}, Averaging{LowPass: spec, Every: 7})
			if err != nil {
				t.Fatal(err)
			}
			stated := Rejection(s.LowPass(), tone, tone+away)
			if stated > 200 {
				continue // beyond what doubles resolve
			}
			n := int(rate)
			frames := through(t, s, [][]float64{sine(n, 1, (tone+away)/rate, 0.1)})
			var sum float64
			frames = frames[len(frames)/2:]
			for _, f := range frames {
				sum += abs2(f.Phasor[0])
			}
			measured := -10 * math.Log10(sum/float64(len(frames)))
			// What is left half a second after the start: e^(−0.5 s/τ) of a few
			// times the amplitude, below 1e-9 of it for the slowest of these.
			if math.Abs(measured-stated) > 0.1 {
				t.Errorf("%s, %g Hz away: measured %.3f dB, stated %.3f dB", specName(spec), away, measured, stated)
			}
		}
	}
}

// The tone's own image lies at twice its frequency.
func TestContinuousImage(t *testing.T) {
	const rate, tone = 20000.0, 310.0
	for _, spec := range lowPasses {
		s, err := NewContinuous(Config{SampleRate: rate, Channels: 1, Tones: []Tone{{Name: "a", Hz: tone}}}, Averaging{LowPass: spec})
		if err != nil {
			t.Fatal(err)
		}
		stated := -20 * math.Log10(cmplx.Abs(s.LowPass().Response(2*tone)))
		if stated > 180 {
			continue
		}
		frames := through(t, s, [][]float64{sine(20000, 1, tone/rate, 0.2)})
		frames = frames[len(frames)/2:]
		want := cmplx.Rect(1, 2*math.Pi*0.2)
		var sum float64
		for _, f := range frames {
			sum += abs2(f.Phasor[0] - want)
		}
		if measured := -10 * math.Log10(sum/float64(len(frames))); math.Abs(measured-stated) > 0.1 {
			t.Errorf("%s: image measured at −%.3f dB, stated −%.3f dB", specName(spec), measured, stated)
		}
	}
}

func TestContinuousFIRStopBand(t *testing.T) {
	const rate, tone = 20000.0, 3000.0
	spec := lowpass.Spec{Kind: lowpass.FIR, CutoffHz: 100, StopHz: 250, StopDB: 120}
	for _, away := range []float64{-250, 251, 400, 1700} {
		s, err := NewContinuous(Config{SampleRate: rate, Channels: 1, Tones: []Tone{{Name: "a", Hz: tone}}}, Averaging{LowPass: spec, Every: 11})
		if err != nil {
			t.Fatal(err)
		}
		if stated := Rejection(s.LowPass(), tone, tone+away); stated < 120 {
			t.Errorf("%g Hz away: %.1f dB stated", away, stated)
		}
		frames := through(t, s, [][]float64{sine(8000, 1, (tone+away)/rate, 0.3)})
		if len(frames) == 0 {
			t.Fatal("no frames")
		}
		for _, f := range frames[len(frames)/2:] {
			if got := -20 * math.Log10(cmplx.Abs(f.Phasor[0])); got < 120 {
				t.Fatalf("%g Hz away: −%.2f dB, 120 were asked for", away, got)
			}
		}
	}
}

// An amplitude that rises evenly must be found when it was, and a constant
// ratio to a drifting reference must stay constant.
func TestContinuousTimeStamps(t *testing.T) {
	const rate, tone, n = 20000.0, 3001.0, 30000
	specs := append(append([]lowpass.Spec{}, lowPasses...), lowpass.Spec{Kind: lowpass.FIR, CutoffHz: 60, StopHz: 200})
	for _, spec := range specs {
		reference, signal := sine(n, 2, tone/rate, 0.4), sine(n, 1, tone/rate, 0.4-0.125)
		for i := range signal {
			signal[i] *= 1 + float64(i)/n
		}
		s, err := NewContinuous(Config{SampleRate: rate, Channels: 2, Tones: []Tone{{Name: "a", Hz: tone, Reference: OnChannel(0)}}}, Averaging{LowPass: spec, Every: 50})
		if err != nil {
			t.Fatal(err)
		}
		image := cmplx.Abs(s.LowPass().Response(2 * tone))
		for _, f := range through(t, s, [][]float64{reference, signal}) {
			if f.Stop < 20000 {
				continue // the ramp's start is not a ramp
			}
			v, _ := f.At(0, 1)
			want := complex(1+f.Time(rate)*rate/n, 0) * cmplx.Rect(1, -math.Pi/4)
			// The image of the signal and of the reference; and the ramp's kink,
			// 10 time constants at least in the past, as e^−10 and less of 1.
			if cmplx.Abs(v-want) > 4*image+1e-6 {
				t.Fatalf("%s at %.4f s: %v, want %v", specName(spec), f.Time(rate), v, want)
			}
			if r, _ := f.At(0, 0); math.Abs(real(r)-2) > 3*image+1e-9 || imag(r) != 0 {
				t.Fatalf("%s: reference %v, want 2", specName(spec), r)
			}
			if got, want := cmplx.Phase(f.Reference[0]), 2*math.Pi*(tone*f.Time(rate)+0.4); math.Abs(math.Remainder(got-want, 2*math.Pi)) > 2*image+1e-6 {
				t.Fatalf("%s: reference turned by %g rad at the frame's time, want %g", specName(spec), got, want)
			}
		}
	}
}

// A phasor that keeps still is right from the first frame on.
func TestContinuousStart(t *testing.T) {
	const rate, tone = 20000.0, 4000.0
	for _, spec := range lowPasses {
		s, err := NewContinuous(Config{SampleRate: rate, Channels: 1, Tones: []Tone{{Name: "a", Hz: tone}}}, Averaging{LowPass: spec})
		if err != nil {
			t.Fatal(err)
		}
		frames := through(t, s, [][]float64{sine(40000, 1, tone/rate, 0.15)})
		settle := s.LowPass().SettlingS(1e-3) * rate
		if first := frames[0].Stop; math.Abs(float64(first)-settle) > 1 {
			t.Errorf("%s: first frame after %d samples, settled to 0.1 %% after %g", specName(spec), first, settle)
		}
		// The image, and what its beginning with the first sample leaves: by then
		// 0.1 % of the response is missing.
		image := cmplx.Abs(s.LowPass().Response(2 * tone))
		if got := cmplx.Abs(frames[0].Phasor[0] - cmplx.Rect(1, 2*math.Pi*0.15)); got > 2e-3+2*image {
			t.Errorf("%s: first phasor off by %.2g", specName(spec), got)
		}
	}
}

// The stated variance must be that of the frames under white noise.
func TestContinuousVariance(t *testing.T) {
	const rate, sigma = 20000.0, 0.5
	rng := rand.New(rand.NewPCG(7, 9))
	x := [][]float64{make([]float64, 400000)}
	for i := range x[0] {
		x[0][i] = sigma * rng.NormFloat64()
	}
	for _, spec := range []lowpass.Spec{{Kind: lowpass.Cascade, Order: 4, ENBWHz: 200}, {Kind: lowpass.Butterworth, Order: 2, ENBWHz: 200}, {Kind: lowpass.FIR, ENBWHz: 200}} {
		s, err := NewContinuous(Config{SampleRate: rate, Channels: 1, Tones: []Tone{{Name: "a", Hz: 3000}, {Name: "b", Hz: 5100}}}, Averaging{LowPass: spec, Every: 50})
		if err != nil {
			t.Fatal(err)
		}
		s.MeasureNoise([][]float64{x[0][:50000]})
		var power, stated float64
		frames := through(t, s, x)
		for _, f := range frames {
			power += (abs2(f.Phasor[0]) + abs2(f.Phasor[1])) / 4 / float64(len(frames))
			stated += (f.Variance[0] + f.Variance[1]) / 2 / float64(len(frames))
		}
		// 20 s · 2·200 Hz · 4 components are 32,000 independent values: 0.8 % of
		// the variance. The meter rests on 16 windows' worth of 6 probes of 2
		// components: √(2/(1.3·192)) = 9 %, less over its 40 windows in turn.
		if math.Abs(power/(sigma*sigma*s.gain)-1) > 0.04 {
			t.Errorf("%v: variance %.4g, closed form %.4g", spec.Kind, power, sigma*sigma*s.gain)
		}
		if math.Abs(stated/power-1) > 0.15 {
			t.Errorf("%v: variance %.4g, stated %.4g", spec.Kind, power, stated)
		}
	}
}

// Retuning in the middle of a stream must not make phases jump.
func TestContinuousTune(t *testing.T) {
	const rate, n = 20000.0, 20000
	signal := sine(n, 1, 3000.0/rate, 0.2)
	for i := range signal {
		if i >= n/2 { // from there on the tone is 0.5 Hz higher, without a step of phase
			signal[i] = math.Cos(2 * math.Pi * cycles(0.2+3000.5/rate*float64(i)-0.5/rate*n/2))
		}
	}
	s, err := NewContinuous(Config{SampleRate: rate, Channels: 1, Tones: []Tone{{Name: "a", Hz: 3000}}}, Averaging{LowPass: lowpass.Spec{Kind: lowpass.Cascade, Order: 4, CutoffHz: 50}})
	if err != nil {
		t.Fatal(err)
	}
	frames := through(t, s, [][]float64{signal[:n/2]})
	if err := s.Tune([]float64{3000.5}); err != nil {
		t.Fatal(err)
	}
	frames = append(frames, through(t, s, [][]float64{signal[n/2:]})...)
	image := cmplx.Abs(s.LowPass().Response(6000))
	for _, f := range frames[len(frames)/4:] {
		// relative to 2π·Hz·t with the frequency of the frame
		want := cmplx.Rect(1, 2*math.Pi*0.2)
		if f.Hz[0] != 3000 {
			want = cmplx.Rect(1, 2*math.Pi*cycles(0.2-0.5/rate*n/2))
		}
		if cmplx.Abs(f.Phasor[0]-want) > 4*image+1e-5 {
			t.Fatalf("sample %d: %v, want %v", f.Stop, f.Phasor[0], want)
		}
	}
}

func TestContinuousRefuses(t *testing.T) {
	c := Config{SampleRate: 1000, Channels: 1, Tones: []Tone{{Name: "a", Hz: 100}}}
	for _, a := range []Averaging{
		{LowPass: lowpass.Spec{Kind: lowpass.Cascade, Order: 9, CutoffHz: 1}},
		{LowPass: lowpass.Spec{Kind: lowpass.Cascade, Order: 1}},
		{LowPass: lowpass.Spec{Kind: lowpass.Cascade, Order: 1, CutoffHz: 1}, Every: -1},
	} {
		if _, err := NewContinuous(c, a); err == nil {
			t.Errorf("%+v: accepted", a)
		}
	}
}
