package multitone

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/mat"
)

// leaveOutCase is what is left out of a window.
type leaveOutCase struct {
	name string
	list []Span
}

var leaveOutCases = []leaveOutCase{
	{"a few samples", []Span{{3, 4}, {500, 501}, {777, 779}}},
	{"a run", []Span{{300, 500}}},
	{"the end", []Span{{800, 1000}}},
	{"scattered runs", []Span{{10, 60}, {200, 225}, {400, 460}, {900, 901}}},
}

func leftOutOf(list []Span, n int) []bool {
	out := make([]bool, n)
	for _, s := range list {
		for i := s.Start; i < s.Stop; i++ {
			out[i] = true
		}
	}
	return out
}

// An interval without some samples gives what plain least squares gives: the normal
// equations of tones, offset and ramp's sine over the samples that are left, written
// out one by one. So does its variance, (XᵀX)⁻¹ of a textbook.
func TestIntervalWithoutSamples(t *testing.T) {
	const rate, n, sigma = 100e3, 1000, 0.1
	hz := []float64{5123.4, 7577.7, 9011.3}
	x := []complex128{1, complex(0, 0.5), complex(-0.3, 0.2)}
	c := Config{SampleRate: rate, Channels: 2}
	for _, f := range hz {
		c.Tones = append(c.Tones, Tone{Hz: f})
	}
	for _, test := range leaveOutCases {
		rng := rand.New(rand.NewPCG(31, 32))
		samples := [][]float64{make([]float64, n), make([]float64, n)}
		for ch := range samples {
			sines(samples[ch], rate, hz, x)
			noise(samples[ch], sigma, rng)
		}
		sound := [][]float64{append([]float64(nil), samples[0]...), samples[1]}
		out := leftOutOf(test.list, n)
		design := mat.NewDense(n, 2*len(hz)+2, nil)
		y := mat.NewVecDense(n, nil)
		for i := range n {
			if out[i] {
				samples[0][i] = 1e3 // weighs nothing
				continue
			}
			u := float64(i) - (n-1)/2.
			for k, f := range hz {
				s, co := math.Sincos(2 * math.Pi * f / rate * u)
				design.Set(i, 2*k, co)
				design.Set(i, 2*k+1, -s)
			}
			design.Set(i, 2*len(hz), 1)
			design.Set(i, 2*len(hz)+1, math.Sin(2*math.Pi*driftBins/n*u))
			y.SetVec(i, sound[0][i])
		}
		var solved mat.VecDense
		if err := solved.SolveVec(design, y); err != nil {
			t.Fatal(err)
		}
		var gram, inverse mat.Dense
		gram.Mul(design.T(), design)
		if err := inverse.Inverse(&gram); err != nil {
			t.Fatal(err)
		}
		measure := func(x [][]float64, list []Span) *Frame {
			all := new(Intervals)
			v, err := all.Begin(c, 0, n)
			if err != nil {
				t.Fatal(err)
			}
			for _, s := range list {
				all.Omit(0, s.Start, s.Stop)
			}
			all.Write(x, 0)
			f, err := v.Frame()
			if err != nil {
				t.Fatal(err)
			}
			return f
		}
		f, whole := measure(samples, test.list), measure(sound, nil)
		for k, f0 := range hz {
			// The frame's phase is that at its middle, counted from sample 0.
			turn := cmplx.Rect(1, 2*math.Pi*f0*(n-1)/2/rate)
			got, _ := f.At(k, 0)
			// The ridge of 1e-8 on the drift is all that differs.
			if want := complex(solved.AtVec(2*k), solved.AtVec(2*k+1)); cmplx.Abs(got*turn-want) > 1e-6*sigma {
				t.Errorf("%s: tone %d: %v, want %v", test.name, k, got*turn, want)
			}
			if got, _ := f.At(k, 1); got != whole.Phasor[k*2+1] {
				t.Errorf("%s: tone %d of the other channel has changed", test.name, k)
			}
			white := f.remnants[0].tones.gain[k] // the noise estimate is spoilt by what stands in their place
			if want := (inverse.At(2*k, 2*k) + inverse.At(2*k+1, 2*k+1)) / 2; math.Abs(white/want-1) > 1e-5 {
				t.Errorf("%s: tone %d: variance %g of a white sample's, want %g", test.name, k, white, want)
			}
		}
	}
}

// Hann windows without some samples: without bias for tones that keep still and for
// those that change by a straight line, with the variance that scatter shows, whatever
// mains of half a bin and its third harmonic hum below. What stands in place of the
// samples left out is the fitted signal, as a bank is to be fed.
func TestWindowsWithoutSamples(t *testing.T) {
	const rate, n, sigma, trials = 100e3, 1000, 0.05, 150
	hz := []float64{5123.4, 7577.7}
	x := []complex128{1, complex(0, 0.5)}
	c := Config{SampleRate: rate, Channels: 1, Tones: []Tone{{Hz: hz[0]}, {Hz: hz[1]}}}
	for _, test := range append([]leaveOutCase{{"the first half", []Span{{0, 500}}}, {"a hole", []Span{{500, 520}}}}, leaveOutCases...) {
		for _, slope := range []float64{0, 0.2} {
			rng := rand.New(rand.NewPCG(33, 34))
			b, err := NewBank(c, Framing{Length: n})
			if err != nil {
				t.Fatal(err)
			}
			var sum complex128
			var square, stated, bend, freedom float64
			emit := func(f *Frame) error {
				for k := range hz {
					v, variance := f.At(k, 0)
					d := (v - x[k]) / x[k]
					sum += d / complex(trials*float64(len(hz)), 0)
					square += abs2(v-x[k]) / (2 * trials * float64(len(hz)))
					stated += variance / (trials * float64(len(hz)))
				}
				bend += f.Bend
				freedom += float64(f.BendDOF)
				return nil
			}
			samples := make([]float64, n*trials)
			sines(samples, rate, hz, x)
			for i := range samples {
				samples[i] *= 1 + slope*(float64(i%n)/n-0.5)
				at := 2 * math.Pi * 50 / rate * float64(i)
				samples[i] += 10*math.Cos(at+0.3) + math.Sin(3*at)
			}
			clean := append([]float64(nil), samples...)
			noise(samples, sigma, rng)
			for w := range trials {
				for _, s := range test.list {
					b.Omit(0, s.Start+int64(w*n), s.Stop+int64(w*n))
					copy(samples[w*n+int(s.Start):w*n+int(s.Stop)], clean[w*n+int(s.Start):])
				}
			}
			if err := b.Write([][]float64{samples}, emit); err != nil {
				t.Fatal(err)
			}
			if err := b.Flush(emit); err != nil {
				t.Fatal(err)
			}
			// Of 4·trials squares the mean lies within 4·√(2/(4·trials)) = 23 % of its value;
			// the noise estimate of 6 probes of two components in 32 windows adds 4/√384 = 20 %.
			if r := square / stated; math.Abs(r-1) > 0.35 {
				t.Errorf("%s, slope %g: squared error %.3f of that stated", test.name, slope, r)
			}
			// Each of the two means is known to σ/√trials of its relative variance.
			if limit := 4 * math.Sqrt(stated/0.25/trials); cmplx.Abs(sum) > limit {
				t.Errorf("%s, slope %g: bias %v, limit %.2g", test.name, slope, sum, limit)
			}
			// Chi-square of 4 degrees of freedom a window: within 4·√(2/(4·trials)) again. A
			// straight line within a window has no bend, but steps back at its end.
			if r := bend / freedom; slope == 0 && math.Abs(r-1) > 0.35 {
				t.Errorf("%s: bend %.3f of its degrees of freedom", test.name, r)
			}
		}
	}
}

// A window of which nothing is left says so.
func TestWindowWithoutAnything(t *testing.T) {
	c := Config{SampleRate: 100e3, Channels: 2, Tones: []Tone{{Hz: 5123}}}
	b, err := NewBank(c, Framing{Length: 1000})
	if err != nil {
		t.Fatal(err)
	}
	samples := [][]float64{make([]float64, 4000), make([]float64, 4000)}
	rng := rand.New(rand.NewPCG(35, 36))
	noise(samples[0], 1, rng)
	noise(samples[1], 1, rng)
	b.Omit(1, 1000, 3000)
	frames := 0
	emit := func(f *Frame) error {
		lost := frames == 1 || frames == 2
		if frames++; math.IsInf(f.Variance[1], 1) != lost || math.IsInf(f.Variance[0], 1) {
			t.Errorf("window %d: variances %v", frames, f.Variance)
		}
		return nil
	}
	if err := b.Write(samples, emit); err != nil {
		t.Fatal(err)
	}
	if err := b.Flush(emit); err != nil {
		t.Fatal(err)
	}
}
