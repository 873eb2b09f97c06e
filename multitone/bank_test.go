package multitone

import (
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
)

// mixture is a configuration with two references and its samples, in counts
// and in volts.
func mixture(channels, samples int, rng *rand.Rand) (Config, []int16, [][]float64) {
	c := Config{SampleRate: 100e3, Channels: channels, CountVolts: make([]float64, channels)}
	hz := []float64{5125.3, 6325.7, 9811.1}
	for k, f := range hz {
		c.Tones = append(c.Tones, Tone{Name: fmt.Sprint("e", k+1), Hz: f, Reference: OnChannel((k % 2) * (channels - 1))})
	}
	counts, volts := make([]int16, channels*samples), make([][]float64, channels)
	for ch := range volts {
		c.CountVolts[ch] = (1 + float64(ch)) * 1e-5
		volts[ch] = make([]float64, samples)
		x := make([]complex128, len(hz))
		for k := range x {
			x[k] = 2000 * unit(rng.Float64()) * complex(1+2*rng.Float64(), 0)
		}
		sines(volts[ch], c.SampleRate, hz, x)
		noise(volts[ch], 20, rng)
		for n, v := range volts[ch] {
			count := int16(max(-32768, min(32767, math.Round(v))))
			counts[n*channels+ch] = count
			volts[ch][n] = float64(count) * c.CountVolts[ch]
		}
	}
	return c, counts, volts
}

func collect(t *testing.T, write func(emit func(*Frame) error) error) (frames []Frame) {
	t.Helper()
	err := write(func(f *Frame) error {
		var mine Frame
		f.CopyTo(&mine)
		frames = append(frames, mine)
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return frames
}

// A frame is one Interval's under another weighting: with equal weights both
// are the same estimate. Counts in either precision and floats agree to the
// precision's error, relative to full scale: −140 dB in float32, and 2⁻⁵³ times
// the number of samples in float64.
func TestBankAgreesWithIntervals(t *testing.T) {
	rng := rand.New(rand.NewPCG(21, 22))
	for _, channels := range []int{1, 3, 12, 13} {
		for _, f := range []Framing{
			{Length: 1000, Hop: 1000}, {Length: 1000, Hop: 500}, {Length: 1002, Hop: 501}, {Length: 999, Hop: 499},
			{Length: 1000, Hop: 2500}, {Length: 700, Hop: 100}, {Length: maxDirect + 1000, Hop: 3000},
		} {
			f.Cosine = []float64{1}
			c, counts, volts := mixture(channels, 25000, rng)
			var full float64
			for _, v := range c.CountVolts {
				full = max(full, 32768*v)
			}
			for _, kind := range []string{"counts single", "counts double", "floats"} {
				f.Precision = Double
				within := 4e-12 * full
				if kind == "counts single" {
					f.Precision = Single
					within = 1e-7 * full
				}
				b, err := NewBank(c, f)
				if err != nil {
					t.Fatal(err)
				}
				got := collect(t, func(emit func(*Frame) error) error {
					if kind == "floats" {
						if err := b.Write(volts, emit); err != nil {
							return err
						}
					} else if err := b.WriteInt16(counts, emit); err != nil {
						return err
					}
					return b.Flush(emit)
				})
				if want := (25000-f.Length)/f.Hop + 1; len(got) != want {
					t.Fatalf("%+v %s: %d frames, want %d", f, kind, len(got), want)
				}
				for _, g := range []Frame{got[0], got[len(got)/2], got[len(got)-1]} {
					all := new(Intervals)
					v, err := all.Begin(c, g.Start, g.Stop)
					if err != nil {
						t.Fatal(err)
					}
					all.Write(volts, 0)
					want, err := v.Frame()
					if err != nil {
						t.Fatal(err)
					}
					for i := range want.Phasor {
						// phases are turned by those of the reference, whose own error counts too
						ref := cmplx.Abs(want.Reference[i/channels])
						scale := 1 + cmplx.Abs(want.Phasor[i])/ref
						if d := cmplx.Abs(g.Phasor[i] - want.Phasor[i]); !(d <= within*scale) {
							t.Fatalf("%d channels, %+v %s: frame at %d: phasor %d: %v, want %v", channels, f, kind, g.Start, i, g.Phasor[i], want.Phasor[i])
						}
						// 20 counts of noise and the rounding; the estimate rests on at least
						// 16 windows of 12 squares, so that 60 % are four of its deviations
						size := c.CountVolts[i%channels]
						truth := 2 * (20*20 + 1.0/12) * size * size / float64(f.Length)
						if r := g.Variance[i] / truth; math.Abs(r-1) > 0.6 {
							t.Errorf("%d channels, %+v %s: variance %.3f of the truth", channels, f, kind, r)
						}
					}
				}
			}
		}
	}
}

// However the samples are cut, the frames are the same to the last bit.
func TestBankIsTheSameInAnyBlocks(t *testing.T) {
	rng := rand.New(rand.NewPCG(23, 24))
	c, counts, _ := mixture(5, 60000, rng)
	for _, f := range []Framing{{Length: 1000, Hop: 500}, {Length: 1000}, {Length: 999, Hop: 250}, {Length: 800, Hop: 3000}} {
		var want []Frame
		for _, step := range []int{60000, 1, 97, 1000, 4096} {
			if step == 1 && f.Hop != 500 {
				continue
			}
			b, err := NewBank(c, f)
			if err != nil {
				t.Fatal(err)
			}
			got := collect(t, func(emit func(*Frame) error) error {
				for at := 0; at < 60000; at += step {
					if err := b.WriteInt16(counts[at*5:min(at+step, 60000)*5], emit); err != nil {
						return err
					}
				}
				return b.Flush(emit)
			})
			if want == nil {
				want = got
			}
			same := slices.EqualFunc(got, want, func(a, b Frame) bool {
				return a.Start == b.Start && slices.Equal(a.Phasor, b.Phasor) && slices.Equal(a.Variance, b.Variance) && a.Bend == b.Bend
			})
			if !same {
				t.Errorf("%+v: blocks of %d: other frames", f, step)
			}
		}
	}
}

// After Tune the windows that follow are measured at the new frequencies, also
// when the last one's second half was summed at the old.
func TestTuneHoldsFromTheNextWindow(t *testing.T) {
	rng := rand.New(rand.NewPCG(25, 26))
	c, counts, volts := mixture(2, 40000, rng)
	other := slices.Clone(c.Tones)
	for k := range other {
		other[k].Hz += 0.5
	}
	hz := []float64{other[0].Hz, other[1].Hz, other[2].Hz}
	b, err := NewBank(c, Framing{Length: 1000, Hop: 500, Cosine: []float64{1}, Precision: Double})
	if err != nil {
		t.Fatal(err)
	}
	got := collect(t, func(emit func(*Frame) error) error {
		if err := b.WriteInt16(counts[:20000*2], emit); err != nil {
			return err
		}
		if err := b.Tune(hz); err != nil {
			return err
		}
		if err := b.WriteInt16(counts[20000*2:], emit); err != nil {
			return err
		}
		return b.Flush(emit)
	})
	for _, g := range got {
		cfg := c
		if g.Stop > 20000 {
			cfg.Tones = other
		}
		all := new(Intervals)
		v, err := all.Begin(cfg, g.Start, g.Stop)
		if err != nil {
			t.Fatal(err)
		}
		all.Write(volts, 0)
		want, err := v.Frame()
		if err != nil {
			t.Fatal(err)
		}
		for i := range want.Phasor {
			if d := cmplx.Abs(g.Phasor[i] - want.Phasor[i]); d > 1e-11 {
				t.Fatalf("frame at %d: phasor %d: %v, want %v", g.Start, i, g.Phasor[i], want.Phasor[i])
			}
		}
	}
}

func TestBankDoesNotAllocate(t *testing.T) {
	rng := rand.New(rand.NewPCG(27, 28))
	c, counts, volts := mixture(4, 40000, rng)
	emit := func(*Frame) error { return nil }
	for _, f := range []Framing{{Length: 1000, Hop: 500}, {Length: 1000}, {Length: maxDirect + 2}} {
		b, err := NewBank(c, f)
		if err != nil {
			t.Fatal(err)
		}
		floats, err := NewBank(c, f)
		if err != nil {
			t.Fatal(err)
		}
		for range 40 { // past the frames that wait
			b.WriteInt16(counts, emit)
			floats.Write(volts, emit)
		}
		if n := testing.AllocsPerRun(5, func() { b.WriteInt16(counts, emit) }); n != 0 {
			t.Errorf("%+v: counts: %v allocations", f, n)
		}
		if n := testing.AllocsPerRun(5, func() { floats.Write(volts, emit) }); n != 0 {
			t.Errorf("%+v: floats: %v allocations", f, n)
		}
	}
}

// Plans give the same frame as a new Interval, to what planTurns allows.
func TestPlansAreShared(t *testing.T) {
	rng := rand.New(rand.NewPCG(29, 30))
	c, _, volts := mixture(2, 30000, rng)
	var p Intervals
	for i := range int64(11) {
		own := c
		own.Tones = slices.Clone(c.Tones)
		for k := range own.Tones {
			own.Tones[k].Hz *= 1 + 1e-9*rng.NormFloat64()
		}
		start, stop := i*2000, i*2000+8000+(i%3)
		shared, err := p.Begin(own, start, stop)
		if err != nil {
			t.Fatal(err)
		}
		alone := new(Intervals)
		single, err := alone.Begin(own, start, stop)
		if err != nil {
			t.Fatal(err)
		}
		p.Write(volts, 0)
		alone.Write(volts, 0)
		got, err := shared.Frame()
		if err != nil {
			t.Fatal(err)
		}
		want, err := single.Frame()
		if err != nil {
			t.Fatal(err)
		}
		if !slices.Equal(got.Hz, want.Hz) {
			t.Errorf("frequencies %v, want %v", got.Hz, want.Hz)
		}
		for i := range want.Phasor {
			// a neighbour 98 bins away, of 0.3 V at most
			if d := cmplx.Abs(got.Phasor[i] - want.Phasor[i]); d > planTurns/98*0.3 {
				t.Errorf("phasor %d: off by %.3g", i, d)
			}
		}
	}
	if len(p.kept) != 3 {
		t.Errorf("%d plans for three lengths", len(p.kept))
	}
}

// A window that is too short for its tones is refused, never measured wrong.
func TestShortWindows(t *testing.T) {
	rng := rand.New(rand.NewPCG(33, 34))
	c, counts, _ := mixture(2, 4000, rng)
	refused := 0
	for length := 8; length < 400; length += 7 {
		b, err := NewBank(c, Framing{Length: length})
		if err == nil {
			emit := func(f *Frame) error {
				for i, v := range f.Variance {
					if !(v > 0) || math.IsInf(v, 0) || cmplx.IsNaN(f.Phasor[i]) {
						t.Fatalf("window of %d: phasor %v, variance %g", length, f.Phasor[i], v)
					}
				}
				return nil
			}
			if err = b.WriteInt16(counts, emit); err == nil {
				err = b.Flush(emit)
			}
		}
		if err != nil {
			refused++
		}
	}
	if refused == 0 {
		t.Error("eight samples were enough for three tones, an offset and a ramp")
	}
}

// A wrong shape of the samples is said in words, before any of them is taken.
func TestBankRefusesShapes(t *testing.T) {
	c := Config{SampleRate: 1000, Channels: 2, Tones: []Tone{{Name: "a", Hz: 100}}}
	none := func(*Frame) error { return nil }
	for want, write := range map[string]func(b *Bank) error{
		"1 slices of samples for 2 channels":                  func(b *Bank) error { return b.Write([][]float64{{1, 2}}, none) },
		"0 slices of samples for 2 channels":                  func(b *Bank) error { return b.Write(nil, none) },
		"1 samples of channel 1, 2 of channel 0":              func(b *Bank) error { return b.Write([][]float64{{1, 2}, {3}}, none) },
		"3 counts are no whole number of samples of 2 channe": func(b *Bank) error { return b.WriteInt16([]int16{1, 2, 3}, none) },
	} {
		b, err := NewBank(c, Framing{Length: 100})
		if err != nil {
			t.Fatal(err)
		}
		if err := write(b); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%v, want %q", err, want)
		}
	}
}
