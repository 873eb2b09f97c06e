package spectrum

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/dsp/fourier"
)

// coloured makes Gaussian noise of the one-sided density s(f) by shaping white
// spectral lines, periodic over the record.
func coloured(rng *rand.Rand, n int, rate float64, s func(hz float64) float64) []float64 {
	c := make([]complex128, n/2+1)
	for k := 1; k < len(c)-1; k++ {
		sigma := math.Sqrt(s(float64(k)*rate/float64(n)) * rate * float64(n) / 4)
		c[k] = complex(sigma*rng.NormFloat64(), sigma*rng.NormFloat64())
	}
	x := fourier.NewFFT(n).Sequence(nil, c)
	for i := range x {
		x[i] /= float64(n)
	}
	return x
}

// The fit finds what the noise was made with, lines in between notwithstanding, and
// its sigmas are right: over 40 trials the mean of z² of each parameter scatters by
// √(2/40) = 0.22 about 1, of which four are allowed.
func TestFitFlicker(t *testing.T) {
	rng := rand.New(rand.NewPCG(8, 3))
	const rate, white, corner = 10e3, 1e-14, 120.0
	var zw, zf, zc, misfit float64
	const trials = 40
	for range trials {
		x := coloured(rng, 1<<15, rate, func(hz float64) float64 { return white * (1 + corner/hz) })
		addSine(x, rate, 50, 1e-5, 0)
		addSine(x, rate, 1111, 1e-3, 0)
		w := mustWelch(t, rate, 2048)
		w.Add(x)
		d := w.Density()
		floor := d.Floor(64)
		f, err := d.FitFlicker(floor, d.Lines(floor, 1e-3), 0, rate/2)
		if err != nil {
			t.Fatal(err)
		}
		zw += math.Pow((f.WhitePSD-white)/f.sigmaWhitePSD, 2) / trials
		zf += math.Pow((f.flickerPSD-white*corner)/f.sigmaFlickerPSD, 2) / trials
		zc += math.Pow((f.CornerHz-corner)/f.SigmaCornerHz, 2) / trials
		misfit += f.Misfit / trials
	}
	near(t, "white z²", zw, 1, 0.9)
	near(t, "flicker z²", zf, 1, 0.9)
	near(t, "corner z²", zc, 1, 0.9)
	near(t, "misfit", misfit, 1, 0.05)
}

func TestFitFlickerOnWhiteNoise(t *testing.T) {
	rng := rand.New(rand.NewPCG(9, 3))
	w := mustWelch(t, 1000, 1000)
	w.Add(whiteNoise(rng, 50000, 1))
	d := w.Density()
	f, err := d.FitFlicker(d.Floor(64), nil, 0, 500)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "white", f.WhitePSD, 2.0/1000, 4*f.sigmaWhitePSD)
	if f.CornerHz > 5*f.SigmaCornerHz {
		t.Errorf("corner %g ± %g Hz in white noise", f.CornerHz, f.SigmaCornerHz)
	}
	if _, err := d.FitFlicker(d.Floor(64), nil, 3, 5); !errors.Is(err, errFewBins) {
		t.Errorf("error %v, want errFewBins", err)
	}
}

// The floor under lines is the noise: within the scatter of a median of the
// neighbourhood, and within the bias of a 1/f slope across it.
func TestFloorIgnoresLines(t *testing.T) {
	rng := rand.New(rand.NewPCG(10, 3))
	const rate = 10e3
	x := whiteNoise(rng, 1<<16, 1)
	for i := range 30 {
		addSine(x, rate, 500+100*float64(i), 10, float64(i))
	}
	w := mustWelch(t, rate, 4096)
	w.Add(x)
	d := w.Density()
	floor := d.Floor(64)
	want := 2.0 / rate
	for k := 300; k < len(floor.PSD); k += 50 {
		// A line every 41 bins hides 8 of them: the median moves up to quantile
		// 0.5/(1−0.2) = 0.62 of the rest, 0.3·√(2/ν).
		tol := want * (0.32*math.Sqrt(2/d.dof) + 4*math.Sqrt(2/d.floorFreedom(k, 64)))
		near(t, "floor", floor.PSD[k], want, tol)
	}
}

// ℒ(f) = S_φ(f)/2 (IEEE Std 1139): phase noise of one-sided density S_φ puts a skirt
// of that height beside the tone. The noise ends below tone/2: what the tone's own
// image at −f moves would otherwise add.
func TestSkirtIsHalfThePhaseNoise(t *testing.T) {
	rng := rand.New(rand.NewPCG(11, 3))
	const rate, tone, phasePSD = 10e3, 2500.0, 2e-10
	n := 1 << 17
	x := whiteNoise(rng, n, 1e-7)
	phi := coloured(rng, n, rate, func(hz float64) float64 {
		if hz > 1200 {
			return 0
		}
		return phasePSD
	})
	for i := range x {
		x[i] += 0.5 * math.Cos(2*math.Pi*tone*float64(i)/rate+phi[i])
	}
	w := mustWelch(t, rate, 4000)
	w.Add(x)
	d := w.Density()
	lines := d.Lines(d.Floor(64), 1e-3)
	if len(lines) != 1 {
		t.Fatalf("%d lines", len(lines))
	}
	s := d.Skirt(lines[0], 600) // the last octave ends at 1200 Hz
	if len(s.OffsetHz) < 4 {
		t.Fatalf("%d octaves: %+v", len(s.OffsetHz), s)
	}
	want := 10 * math.Log10(phasePSD/2)
	for i := range s.OffsetHz {
		// A median of at least two times 5 correlated bins of ν ≈ 100: 4 sigma.
		near(t, "skirt", s.DBcPerHz[i], want, 4.34*4*math.Sqrt(2/d.dof*math.Pi/2*d.lobe.spread/8))
	}
}
