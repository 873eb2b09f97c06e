package multitone

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"
)

// drift is a clock that is ahead by rate·t²/2 + size·sin(2π·hz·t)/(2π·hz) seconds.
type drift struct {
	nominal        []float64
	rate, size, hz float64
}

func (d drift) Cycles(tone int, t float64) float64 {
	return d.nominal[tone] * (t + d.rate*t*t/2 + d.size*math.Sin(2*math.Pi*d.hz*t)/(2*math.Pi*d.hz))
}

func (d drift) HzAt(tone int, t float64) float64 {
	return d.nominal[tone] * (1 + d.rate*t + d.size*math.Cos(2*math.Pi*d.hz*t))
}

// chirps adds tones that follow a course.
func chirps(dst []float64, rate float64, c drift, x []complex128) {
	for k, v := range x {
		for n := range dst {
			dst[n] += real(v * unit(cycles(c.Cycles(k, float64(n)/rate))))
		}
	}
}

// Tones whose clock drifts by turns over the window, a weak one beside strong ones
// and mains lines between, come out as if none did. A chunk of 41 ms takes the
// frequency to be constant: at 20 ppm/s and 9 kHz a phase bends by
// π·9e3·20e-6·0.0205² = 2.4e-4 within one. That lowers all by the same 1e-8, and of a
// tone 33 bins of a chunk away leaves 2.4e-4/(2π·33) at the most: 1.2e-6 of it.
func TestDriftingClockLeaksNothing(t *testing.T) {
	const rate, n = 100e3, 300000
	d := drift{nominal: []float64{5125, 5925, 9025}, rate: 20e-6, size: 3e-6, hz: 0.4}
	x := []complex128{1, 1e-3i, -0.7}
	lines := []float64{50, 150, 5100, 5950.5}
	samples := make([]float64, n)
	chirps(samples, rate, d, x)
	sines(samples, rate, lines, []complex128{1, 0.5i, 0.1, 0.2})
	c := Config{SampleRate: rate, Channels: 1, Course: d, Lines: lines}
	for k := range x {
		c.Tones = append(c.Tones, Tone{Hz: d.mean(k, n/rate)})
	}
	check := func(name string, f *Frame, limit float64) {
		t.Helper()
		for k, v := range x {
			if got, _ := f.At(k, 0); cmplx.Abs(got-v) > limit {
				t.Errorf("%s, tone %d: %.9g, want %.9g: off by %.3g", name, k, got, v, cmplx.Abs(got-v))
			}
		}
	}
	var p Intervals
	v, err := p.Begin(c, 0, n)
	if err != nil {
		t.Fatal(err)
	}
	p.Write([][]float64{samples}, 0)
	f, err := v.Frame()
	if err != nil {
		t.Fatal(err)
	}
	check("interval", f, 1.5e-6)
	b, err := NewBank(c, Framing{Length: n, NoNoise: true})
	if err != nil {
		t.Fatal(err)
	}
	if err := b.Write([][]float64{samples}, func(f *Frame) error { check("window", f, 1.5e-6); return nil }); err != nil {
		t.Fatal(err)
	}
}

// A stream's clock is known better at the end of an interval than while its samples come:
// what they were turned by then, a clock without drift, is made up for. At the end the
// drift has turned a phase by 0.3 of a cycle, which costs as much noise as a cosine of
// half of that, and no error.
func TestCourseKnownLater(t *testing.T) {
	const rate, n = 100e3, 300000
	d := drift{nominal: []float64{5125, 9025}, rate: 12e-6, size: 1e-12, hz: 1}
	x := []complex128{1, 1e-2i}
	samples := make([]float64, n)
	chirps(samples, rate, d, x)
	before := d
	before.rate = 0
	c := Config{SampleRate: rate, Channels: 1, Course: before}
	for k, hz := range d.nominal {
		c.Tones = append(c.Tones, Tone{Hz: hz})
		if turns := d.Cycles(k, n/rate) - before.Cycles(k, n/rate); turns < 0.25 {
			t.Fatalf("%.2g turns are no test", turns)
		}
	}
	var p Intervals
	v, err := p.Begin(c, 0, n)
	if err != nil {
		t.Fatal(err)
	}
	p.Write([][]float64{samples}, 0)
	p.Follow(d)
	f, err := v.Frame()
	if err != nil {
		t.Fatal(err)
	}
	for k, want := range x {
		if got, _ := f.At(k, 0); cmplx.Abs(got-want) > 2e-6 {
			t.Errorf("tone %d: %.9g, want %.9g", k, got, want)
		}
		if e := f.Hz[k] - d.mean(k, n/rate); math.Abs(e) > 1e-6 {
			t.Errorf("tone %d: mean frequency off by %.3g Hz", k, e)
		}
	}
}

// mean is a tone's mean frequency from time zero on.
func (d drift) mean(tone int, stop float64) float64 { return d.Cycles(tone, stop) / stop }

// What a drifting clock and a wandering current make of a pickup with a constant
// coupling is no motion, in windows of any kind: chi-square stays what noise makes it,
// and the ratio to the drive keeps the variance that is stated, whose parts are the
// pickup's and the drive's.
func TestDriveThatWandersIsNoMotion(t *testing.T) {
	const rate, n, trials = 20e3, 4000, 60
	rng := rand.New(rand.NewPCG(41, 42))
	d := drift{nominal: []float64{1125, 2025}, rate: 30e-6, size: 4e-4, hz: 3}
	m := []complex128{cmplx.Rect(0.3, 1), -0.2i}
	const sigma = 0.05
	for _, followed := range []bool{false, true} {
		c := Config{SampleRate: rate, Channels: 3, Tones: []Tone{{Hz: d.mean(0, n/rate), Reference: OnChannel(2)}, {Hz: d.mean(1, n/rate), Reference: OnChannel(2)}}}
		if followed {
			c.Course = d
		}
		var sum, dof, square float64
		var stated float64
		see := func(f *Frame) {
			sum += f.Bend
			dof += float64(f.BendDOF)
			for k := range c.Tones {
				r, rv := f.At(k, 2)
				for ch := range 2 {
					v, vv := f.At(k, ch)
					square += abs2(v/r-m[ch]) / 2
					stated += (vv + rv*abs2(m[ch])) / abs2(r)
				}
			}
		}
		for range trials {
			drive := make([]float64, n)
			chirps(drive, rate, d, []complex128{1, 0.8i})
			x := make([][]float64, 3)
			for ch := range x {
				x[ch] = make([]float64, n)
				g := complex128(1)
				if ch < 2 {
					g = m[ch]
				}
				chirps(x[ch], rate, d, []complex128{g, 0.8i * g})
				for i := range x[ch] {
					u := float64(i)/n - 0.5
					x[ch][i] *= 1 + 0.1*u + 0.2*u*u // the current
				}
				noise(x[ch], sigma, rng)
			}
			var p Intervals
			v, err := p.Begin(c, 0, n)
			if err != nil {
				t.Fatal(err)
			}
			p.Write(x, 0)
			f, err := v.Frame()
			if err != nil {
				t.Fatal(err)
			}
			see(f)
		}
		// The mean of 480 squares has a deviation of √(2/480) = 6.5 %, of which the noise
		// that each trial estimates for itself from 16 probes a tone, two tones and some
		// windows adds less.
		if r := sum / dof; math.Abs(r-1) > 0.25 {
			t.Errorf("followed %v: bend is %.3f of its degrees of freedom", followed, r)
		}
		if r := square / stated; math.Abs(r-1) > 0.25 {
			t.Errorf("followed %v: variance is %.3f of the stated", followed, r)
		}
	}
}
