package multitone

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

// hum is a tone of 1 V on one channel with noise and, from a sample on, a line of 2 V
// 250 Hz above it.
func hum(n, from int) []float64 {
	random := rand.New(rand.NewPCG(1, 2))
	x := make([]float64, n)
	for i := range x {
		x[i] = math.Cos(2*math.Pi*1000*float64(i)/20000+0.5) + 1e-3*random.NormFloat64()
		if i >= from {
			x[i] += 2 * math.Cos(2*math.Pi*1250*float64(i)/20000)
		}
	}
	return x
}

// Samples that are skipped take the windows with them that hold any of them: the others
// are as if nothing were missing.
func TestABankSkips(t *testing.T) {
	const hop = 100
	x := hum(8000, 8000)
	run := func(write func(b *Bank, emit func(*Frame) error)) map[int64]complex128 {
		b, err := NewBank(Config{SampleRate: 20000, Channels: 1, Tones: []Tone{{Hz: 1000}}}, Framing{Length: 200, Hop: hop})
		if err != nil {
			t.Fatal(err)
		}
		all := map[int64]complex128{}
		emit := func(f *Frame) error {
			if v := f.Variance[0]; !(v > 0) || v > 1e-6 {
				t.Errorf("window at %d: variance %g", f.Start, v)
			}
			all[f.Start] = f.Phasor[0]
			return nil
		}
		write(b, emit)
		if err := b.Flush(emit); err != nil {
			t.Fatal(err)
		}
		return all
	}
	feed := func(b *Bank, x []float64, emit func(*Frame) error) {
		for part := range slices.Chunk(x, 130) {
			if err := b.Write([][]float64{part}, emit); err != nil {
				t.Fatal(err)
			}
		}
	}
	want := run(func(b *Bank, emit func(*Frame) error) { feed(b, x, emit) })
	for _, gap := range [][2]int64{{4000, 4010}, {4050, 4770}, {4099, 4100}, {4050, 6001}} {
		got := run(func(b *Bank, emit func(*Frame) error) {
			feed(b, x[:gap[0]], emit)
			b.Skip(gap[1])
			feed(b, x[gap[1]:], emit)
		})
		for start, v := range want {
			g, ok := got[start]
			if whole := start+200 <= gap[0] || start >= gap[1]; ok != whole || ok && g != v {
				t.Errorf("skip %v: window at %d is %v (there: %t), want %v (there: %t)", gap, start, g, ok, v, whole)
			}
		}
	}
}

// Lines told to a bank that runs are estimated with the tones from then on, as by a bank
// that knew them from its start: a Hann window of 10 ms leaves 4 % of a line 2.5 bins away.
func TestABankTakesInLines(t *testing.T) {
	x := hum(16000, 8000)
	for name, tell := range map[string]func(*Bank) error{
		"line": func(b *Bank) error { return b.Renew(b.Renewal([]float64{1250}, nil)) },
		"foreign": func(b *Bank) error {
			return b.Renew(b.Renewal(nil, []Line{{Hz: 1250, SigmaHz: 1e-3, Power: []float64{4}, Noise: []float64{1e-6}}}))
		},
		"nothing": func(*Bank) error { return nil },
	} {
		b, err := NewBank(Config{SampleRate: 20000, Channels: 1, Tones: []Tone{{Hz: 1000}}}, Framing{Length: 200, Hop: 100})
		if err != nil {
			t.Fatal(err)
		}
		worst, before := 0.0, 0.0
		emit := func(f *Frame) error {
			v := f.Phasor[0] - complex(math.Cos(0.5), math.Sin(0.5))
			if f.Start < 7800 {
				before = f.Variance[0]
			} else if f.Start >= 8000 {
				worst = max(worst, math.Sqrt(abs2(v)))
				if r := f.Variance[0] / before; name != "nothing" && !(r > 0.5 && r < 2) {
					t.Errorf("%s, window at %d: the variance is %.3g times that before", name, f.Start, r)
				}
			}
			return nil
		}
		for at := 0; at < len(x); at += 200 {
			if at == 8000 {
				if err := tell(b); err != nil {
					t.Fatal(err)
				}
			}
			if err := b.Write([][]float64{x[at : at+200]}, emit); err != nil {
				t.Fatal(err)
			}
		}
		// Noise of 1e-3 V makes some 1e-3·√(2·1.5/200) = 1.2e-4 V of a component.
		if name == "nothing" && worst < 0.01 || name != "nothing" && worst > 8e-4 {
			t.Errorf("%s: off by up to %.3g V", name, worst)
		}
	}
}

// Lines that are prepared beside the bank's work give the same frames as lines that it
// takes in at once, also where it was tuned meanwhile.
func TestARenewalBesideTheWork(t *testing.T) {
	x := hum(64000, 32000)
	lines, foreign := []float64{1250}, []Line{{Hz: 1700, SigmaHz: 1e-3, Power: []float64{1e-4}, Noise: []float64{1e-6}}}
	for _, length := range []int{200, 201, 20000} { // half windows shared, none, in chunks
		for _, tuned := range []bool{false, true} {
			run := func(beside bool) (all []complex128) {
				b, err := NewBank(Config{SampleRate: 20000, Channels: 1, Tones: []Tone{{Hz: 1000}}}, Framing{Length: length, Hop: max(100, length/10)})
				if err != nil {
					t.Fatal(err)
				}
				var r *Renewal
				prepared := make(chan error, 1)
				for at := 0; at < len(x); at += 200 {
					switch {
					case at == 24000 && beside:
						r = b.Renewal(lines, foreign)
						go func() { prepared <- r.Prepare() }()
					case at == 28000 && tuned:
						err = b.Tune([]float64{1000.5})
					case at == 32000 && beside:
						if err = <-prepared; err == nil {
							err = b.Renew(r)
						}
					case at == 32000:
						err = b.Renew(b.Renewal(lines, foreign))
					}
					if err != nil {
						t.Fatal(err)
					}
					err := b.Write([][]float64{x[at : at+200]}, func(f *Frame) error {
						all = append(all, f.Phasor[0], complex(f.Variance[0], f.Bend))
						return nil
					})
					if err != nil {
						t.Fatal(err)
					}
				}
				return all
			}
			if at, beside := run(false), run(true); len(at) == 0 || !slices.Equal(at, beside) {
				t.Errorf("windows of %d, tuned: %t: frames differ", length, tuned)
			}
		}
	}
}

// What begins anew finds in the same samples what one that is new does.
func TestSearchesBeginAnew(t *testing.T) {
	x := hum(100000, 0)
	tones := []Tone{{Hz: 1000}, {Hz: 3000}}
	cfg := Config{SampleRate: 20000, Channels: 1, Tones: tones}
	fresh, err := NewForeign(cfg)
	if err != nil {
		t.Fatal(err)
	}
	again, _ := NewForeign(cfg)
	for _, s := range []*Foreign{again, fresh} {
		if s == again {
			if err := s.Write([][]float64{x[777:60000]}); err != nil {
				t.Fatal(err)
			}
			s.Restart()
		}
		if err := s.Write([][]float64{x}); err != nil {
			t.Fatal(err)
		}
	}
	hz := []float64{1000, 3000}
	want, got := fresh.Lines(hz, true), again.Snapshot().Lines(hz, true)
	if len(want) == 0 || len(got) != len(want) {
		t.Fatalf("lines %v and %v", got, want)
	}
	for i := range want {
		if got[i].Hz != want[i].Hz || got[i].Power[0] != want[i].Power[0] {
			t.Errorf("line %d: %+v, want %+v", i, got[i], want[i])
		}
	}
	one, two := NewMains(20000, 1, tones), NewMains(20000, 1, tones)
	two.Write([][]float64{x[333:50000]})
	two.Restart()
	one.Write([][]float64{x})
	two.Write([][]float64{x})
	if !slices.Equal(one.series[0], two.Snapshot().series[0]) || one.Values() < 1000 {
		t.Error("the mains' series differ")
	}
}
