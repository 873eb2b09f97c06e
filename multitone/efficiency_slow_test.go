//go:build slow

package multitone

import (
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"
)

// In-phase and quadrature reach the Cramér–Rao bound: of a sine in white noise
// of standard deviation σ over N samples each has the variance 2σ²/N (Rife and
// Boorstyn, IEEE Trans. Inf. Theory 20, 1974, frequency known), times the
// window's NENBW (Hann 1.5: Harris 1978, table I). In 20,000 trials of two
// components and two tones the mean of 80,000 squares has the relative
// deviation √(2/80000) = 0.5 %, half as much for sigma: 1 % of sigma is four of
// them. A neighbour tone ten bins away is fitted, which costs less than 0.1 %.
func TestComponentsReachTheBound(t *testing.T) {
	const rate, n, trials = 100e3, 500, 20000
	for _, w := range []struct {
		name  string
		f     Framing
		nenbw float64
	}{
		{"rectangular", Framing{Length: n, Cosine: []float64{1}, NoNoise: true}, 1},
		{"hann", Framing{Length: n, NoNoise: true}, 1.5},
	} {
		for _, db := range []float64{0, -10, -20, -30, -40} {
			for _, p := range []Precision{Single, Double} {
				rng := rand.New(rand.NewPCG(31, uint64(-db)))
				hz := []float64{5123.4, 7117.7}
				c := Config{SampleRate: rate, Channels: 1}
				for _, f := range hz {
					c.Tones = append(c.Tones, Tone{Hz: f})
				}
				w.f.Precision = p
				b, err := NewBank(c, w.f)
				if err != nil {
					t.Fatal(err)
				}
				x := []complex128{unit(0.1), unit(0.7)}
				sigma := math.Sqrt(0.5 * math.Pow(10, -db/10)) // tone's power ½
				samples := make([]float64, n*trials)
				sines(samples, rate, hz, x)
				noise(samples, sigma, rng)
				var sum float64
				err = b.Write([][]float64{samples}, func(f *Frame) error {
					for k := range hz {
						v, _ := f.At(k, 0)
						d := v - x[k]
						sum += real(d)*real(d) + imag(d)*imag(d)
					}
					return nil
				})
				if err != nil {
					t.Fatal(err)
				}
				r := math.Sqrt(sum / (4 * trials) / (w.nenbw * 2 * sigma * sigma / n))
				t.Logf("%s, %g dB, precision %d: sigma %.4f of the bound", w.name, db, p, r)
				if math.Abs(r-1) > 0.01 {
					t.Errorf("%s, %g dB: sigma %.4f of the bound", w.name, db, r)
				}
			}
		}
	}
}

// disturbance is what a recording holds beside the tone that is measured.
type disturbance struct {
	name    string
	flicker float64 // corner frequency [Hz] of 1/f noise over the white floor
	lines   []float64
	size    float64 // of each line, relative to the tone
	known   bool    // the bank knows the lines
	hann    bool    // a rectangular window would let the lines leak into the phasors
	beside  float64 // another tone's distance [Hz], 60 dB higher; 0: none
	within  float64 // of sigma
}

// Sigma from the data against the scatter of the phasors themselves.
func TestSigmaIsHonest(t *testing.T) {
	// Two harmonics stand among the probes, five bins from the tone; nearer ones
	// than its main lobe no window of this length could tell apart.
	mains := []float64{49.96, 149.88, 249.8, 349.72, 4895.92, 5395.68}
	for _, d := range []disturbance{
		{name: "white", within: 0.05},
		{name: "flicker", flicker: 20e3, within: 0.15},
		{name: "mains, known", lines: mains, size: 10, known: true, within: 0.15},
		{name: "mains, not known", lines: mains, size: 10, hann: true, within: 0.15},
		{name: "neighbour 60 dB higher", beside: 1200, within: 0.15},
		{name: "all", flicker: 20e3, lines: mains, size: 10, known: true, beside: 1200, within: 0.15},
	} {
		for _, f := range []Framing{{Length: 2000}, {Length: 2000, Hop: 1000}, {Length: 2048, Cosine: []float64{1}}} {
			if d.hann && f.Cosine != nil {
				continue
			}
			for _, p := range []Precision{Single, Double} {
				f.Precision = p
				t.Run(fmt.Sprintf("%s/%d,%d,%d", d.name, f.Length, f.Hop, p), func(t *testing.T) { sigmaHonest(t, d, f) })
			}
		}
	}
}

func sigmaHonest(t *testing.T, d disturbance, f Framing) {
	const rate, seconds, sigma = 100e3, 60, 1e-3
	rng := rand.New(rand.NewPCG(41, 42))
	c := Config{SampleRate: rate, Channels: 1, Tones: []Tone{{Hz: 5145.3}}}
	hz, x := []float64{5145.3}, []complex128{1e-3}
	if d.beside != 0 {
		c.Tones = append(c.Tones, Tone{Hz: 5145.3 + d.beside})
		hz, x = append(hz, 5145.3+d.beside), append(x, unit(0.3))
	}
	for _, l := range d.lines {
		hz, x = append(hz, l), append(x, unit(rng.Float64())*complex(d.size*1e-3, 0))
	}
	if d.known {
		c.Lines = d.lines
	}
	samples := make([]float64, seconds*rate)
	sines(samples, rate, hz, x)
	noise(samples, sigma, rng)
	flicker(samples, sigma, d.flicker/rate, rng)
	b, err := NewBank(c, f)
	if err != nil {
		t.Fatal(err)
	}
	var scatter, mean complex128
	var stated, square float64
	frames := 0
	emit := func(g *Frame) error {
		v, variance := g.At(0, 0)
		mean += v
		scatter += complex(real(v)*real(v), imag(v)*imag(v))
		stated += variance
		square += variance * variance
		frames++
		return nil
	}
	if err := b.Write([][]float64{samples}, emit); err != nil {
		t.Fatal(err)
	}
	if err := b.Flush(emit); err != nil {
		t.Fatal(err)
	}
	n := complex(float64(frames), 0)
	mean /= n
	truth := (real(scatter/n) - real(mean)*real(mean) + imag(scatter/n) - imag(mean)*imag(mean)) / 2
	stated /= float64(frames)
	r := math.Sqrt(stated / truth)
	spread := math.Sqrt(max(square/float64(frames)-stated*stated, 0)) / stated / 2
	t.Logf("stated sigma %.3f of the scatter of %d frames, itself scattering by %.3f; |mean| %.3g", r, frames, spread, cmplx.Abs(mean))
	// The scatter of 3000 frames is known to 1/√(4·3000) = 0.9 %, overlapping
	// ones to hardly better.
	if math.Abs(r-1) > d.within {
		t.Errorf("stated sigma is %.3f of the scatter", r)
	}
	if spread > 0.05 {
		t.Errorf("the stated sigma itself scatters by %.3f", spread)
	}
}

// flicker adds noise whose density is that of white noise sigma at the corner
// [cycles a sample] and falls with 1/f: five first-order low-passes a decade,
// with equal power each, are 1/f to a few percent.
func flicker(dst []float64, sigma, corner float64, rng *rand.Rand) {
	if corner == 0 {
		return
	}
	const perDecade = 5
	for pole := 0.4; pole > 1e-6; pole *= math.Pow(10, -1.0/perDecade) {
		a := math.Exp(-2 * math.Pi * pole)
		// A first-order low-pass of variance v has the one-sided density
		// (2v/πp)/(1+(f/p)²); summed over poles p a factor q apart this is
		// v/(f·ln q). At the corner it shall be that of the white noise, 2σ².
		v := 2 * sigma * sigma * corner * math.Log(10) / perDecade
		drive := math.Sqrt(v * (1 - a*a))
		s := math.Sqrt(v) * rng.NormFloat64()
		for n := range dst {
			dst[n] += s
			s = a*s + drive*rng.NormFloat64()
		}
	}
}

// Stationary tones that are estimated jointly do not disturb each other: each
// is right to 120 dB below the other at any spacing beyond the main lobe, in
// windows of either precision, overlapping or not, and in intervals.
func TestOtherTonesAreRejected(t *testing.T) {
	const rate = 100e3
	rng := rand.New(rand.NewPCG(51, 52))
	for _, taper := range []struct {
		cosine []float64
		lobe   float64
	}{{[]float64{1}, 1}, {[]float64{0.5, 0.5}, 2}, {[]float64{0.35875, 0.48829, 0.14128, 0.01168}, 4}} {
		for _, n := range []int{997, 1000, 2048} {
			for _, hop := range []int{n, n / 2} {
				for _, p := range []Precision{Single, Double} {
					worst := math.Inf(1)
					for trial := range 40 {
						bin := rate / float64(n)
						spacing := taper.lobe + 0.1 + 60*rng.Float64()*float64(trial)/40
						f0 := 6000 + 20000*rng.Float64()
						hz := []float64{f0, f0 + spacing*bin}
						x := []complex128{0, unit(rng.Float64())}
						c := Config{SampleRate: rate, Channels: 1, Tones: []Tone{{Hz: hz[0]}, {Hz: hz[1]}}}
						samples := make([]float64, 3*n)
						sines(samples, rate, hz, x)
						b, err := NewBank(c, Framing{Length: n, Hop: hop, Cosine: taper.cosine, Precision: p, NoNoise: true})
						if err != nil {
							t.Fatal(err)
						}
						err = b.Write([][]float64{samples}, func(f *Frame) error {
							v, _ := f.At(0, 0)
							worst = min(worst, -20*math.Log10(cmplx.Abs(v)))
							return nil
						})
						if err != nil {
							t.Fatal(err)
						}
					}
					t.Logf("taper %v, n=%d, hop %d, precision %d: %.0f dB", taper.cosine, n, hop, p, worst)
					if worst < 120 {
						t.Errorf("taper %v, n=%d, hop %d, precision %d: only %.1f dB", taper.cosine, n, hop, p, worst)
					}
				}
			}
		}
	}
}
