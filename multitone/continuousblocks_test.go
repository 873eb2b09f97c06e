package multitone

import (
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"

	"tonepose/fieldmodels/variant"
	lowpass "tonepose/multitone/window"
)

// Blocks with moments are exact: they must give what the filter itself gives,
// sample by sample, for any order, block and precision.
func TestBlocksMatchTheFilter(t *testing.T) {
	const rate, channels, n = 50e3, 5, 6000
	rng := rand.New(rand.NewPCG(4, 4))
	counts, floats := make([]int16, n*channels), make([]float64, n*channels)
	for i := range counts {
		v := 9000*math.Cos(2*math.Pi*cycles(0.1*float64(i/channels))) + 9000*math.Cos(2*math.Pi*cycles(0.1477*float64(i/channels))) + 1000*rng.NormFloat64()
		counts[i] = int16(v)
		floats[i] = float64(counts[i])
	}
	for _, tones := range []int{1, 11} {
		cfg := Config{SampleRate: rate, Channels: channels}
		var omega []float64
		for k := range tones {
			cfg.Tones = append(cfg.Tones, Tone{Name: fmt.Sprint(k), Hz: 5000 + 1193*float64(k)})
			omega = append(omega, cfg.omega(cfg.Tones[k].Hz))
		}
		for _, order := range []int{1, 2, 4, 8, -1, -2, -3, -4, -8} { // negative: a Butterworth's
			for _, every := range []int{16, 64, 97, 301} {
				for _, tau := range []float64{1.5e-3, 30e-3} {
					spec := lowpass.Spec{Kind: lowpass.Cascade, Order: order, TimeConstantS: tau}
					if order < 0 {
						spec.Kind, spec.Order = lowpass.Butterworth, -order
					}
					l, err := lowpass.Design(spec, rate)
					if err != nil {
						t.Fatal(err)
					}
					a := Averaging{LowPass: spec, Every: every}
					fast := newBlocks(&cfg, l, a)
					if fast == nil {
						t.Fatalf("order %d, every %d samples, %g s: no blocks", order, every, tau)
					}
					// −140 dB of the largest input in single precision; in double what is
					// left out of the series, 1e-14, and rounding over the moments.
					for _, single := range []bool{false, true} {
						limit := 1e-11 * 19000
						a.Precision = Double
						if single {
							limit, a.Precision = 1e-7*19000, Single
						}
						*fast = *newBlocks(&cfg, l, a)
						fast.tune(omega)
						slow := newMixer(&cfg, l, every)
						slow.tune(omega)
						var worst float64
						row := 0
						for from, size := 0, 1; from < n; from, size = from+size, size*3%1000+1 {
							size = min(size, n-from)
							piece := floats[from*channels : (from+size)*channels]
							var got rawRows
							if single {
								got = fast.counts(counts[from*channels : (from+size)*channels])
							} else {
								got = fast.floats(piece)
							}
							want := slow.floats(piece)
							if len(got.values)/got.size != len(want.values)/want.size {
								t.Fatalf("%d rows, want %d", len(got.values)/got.size, len(want.values)/want.size)
							}
							for r := range len(want.values) / want.size {
								row++
								for k := range tones {
									turn := unit(-cycles(omega[k] * fast.lags()[0] / (2 * math.Pi)))
									for c := range channels {
										g := got.values[r*got.size+got.offset[k]+c*got.step]
										w := want.values[r*want.size+want.offset[k]+c*want.step] * turn
										worst = math.Max(worst, cmplx.Abs(g-w))
									}
								}
							}
						}
						if row != n/every || !(worst < limit) {
							t.Errorf("%d tones, order %d, every %d samples, %g s, single %v: %d rows, off by %.2g", tones, order, every, tau, single, row, worst)
						}
					}
				}
			}
		}
	}
}

// The loop that gives every output must give what the filter gives, and refer
// its rows as frames are referred.
func TestStreamMatchesTheFilter(t *testing.T) {
	const rate, n = 50e3, 1200
	for _, channels := range []int{1, 4, 5, 12} {
		for _, tones := range []int{1, 8, 11} {
			rng := rand.New(rand.NewPCG(5, uint64(channels*tones)))
			cfg := Config{SampleRate: rate, Channels: channels, CountVolts: make([]float64, channels)}
			for c := range channels {
				cfg.CountVolts[c] = 1e-4 * float64(c+1)
			}
			for k := range tones {
				cfg.Tones = append(cfg.Tones, Tone{Name: fmt.Sprint(k), Hz: 5000 + 1193*float64(k), Reference: OnChannel((k * 3) % channels)})
			}
			counts := make([]int16, n*channels)
			for i := range counts {
				counts[i] = int16(9000*math.Cos(2*math.Pi*cycles(0.1*float64(i/channels)+0.1*float64(i%channels))) + 3000*rng.NormFloat64())
			}
			volts := make([][]float64, channels)
			for c := range volts {
				for i := range n {
					volts[c] = append(volts[c], float64(counts[i*channels+c])*cfg.CountVolts[c])
				}
			}
			for _, order := range []int{1, 4, 8} {
				for _, every := range []int{1, 7, 32} {
					a := Averaging{Precision: Double, LowPass: lowpass.Spec{Kind: lowpass.Cascade, Order: order, TimeConstantS: 1e-3 / float64(order)}, Every: every}
					reference, err := NewContinuous(cfg, a)
					if err != nil {
						t.Fatal(err)
					}
					reference.engine = newMixer(&cfg, reference.lowPass, every)
					reference.retune()
					want := through(t, reference, volts)
					for _, path := range []string{"floats", "counts", "go"} {
						restore := limit(path)
						s, err := NewContinuous(cfg, a)
						if err != nil {
							t.Fatal(err)
						}
						var got []Frame
						if path == "floats" {
							got = through(t, s, volts)
						} else {
							for from, size := 0, 1; from < n; from, size = from+size, size*3%1000+1 {
								size = min(size, n-from)
								if err := s.WriteInt16(counts[from*channels:(from+size)*channels], func(f *Frame) error {
									var g Frame
									f.CopyTo(&g)
									got = append(got, g)
									return nil
								}); err != nil {
									t.Fatal(err)
								}
							}
						}
						restore()
						if len(got) != len(want) || len(got) == 0 {
							t.Fatalf("%d frames, want %d", len(got), len(want))
						}
						for i := range want {
							if got[i].Stop != want[i].Stop || math.Abs(got[i].Shift-want[i].Shift) > 1e-9 {
								t.Fatalf("frame %d: %v to %v", i, got[i].Start, got[i].Stop)
							}
							for j := range want[i].Phasor {
								// 1e-11 of the largest input, a few thousand roundings; a reference
								// of noise alone may be that small that its phase errs more.
								limit := 1e-11 * 2 * float64(channels)
								if d := cmplx.Abs(got[i].Phasor[j] - want[i].Phasor[j]); !(d < limit) {
									t.Fatalf("%d channels, %d tones, order %d, every %d, %s: frame %d, phasor %d off by %.2g", channels, tones, order, every, path, i, j, d)
								}
							}
							for k := range want[i].Reference {
								if d := cmplx.Abs(got[i].Reference[k] - want[i].Reference[k]); !(d < 1e-11*2*float64(channels)) {
									t.Fatalf("%s: frame %d, reference %d off by %.2g", path, i, k, d)
								}
							}
						}
					}
				}
			}
		}
	}
}

// limit holds a path "go" to the kernels' definitions until restore is called.
func limit(path string) (restore func()) {
	if path == "go" {
		return variant.UseGo()
	}
	return func() {}
}

// BenchmarkContinuous measures 12 channels with 8 tones behind a low-pass, from
// counts of 16 bits in memory to frames, variances included.
func BenchmarkContinuous(b *testing.B) {
	c := benches[0]
	x := c.counts(1 << 16)
	for _, v := range []struct {
		name  string
		spec  lowpass.Spec
		every []int
	}{
		{"cascade4", lowpass.Spec{Kind: lowpass.Cascade, Order: 4, TimeConstantS: 10e-3}, []int{64, 1}},
		{"butterworth2", lowpass.Spec{Kind: lowpass.Butterworth, Order: 2, CutoffHz: 50}, []int{64}},
		{"butterworth4", lowpass.Spec{Kind: lowpass.Butterworth, Order: 4, CutoffHz: 50}, []int{64}},
		{"butterworth8", lowpass.Spec{Kind: lowpass.Butterworth, Order: 8, CutoffHz: 50}, []int{64}},
	} {
		for _, every := range v.every {
			for _, path := range []string{"float32", "float64", "go"} {
				b.Run(fmt.Sprintf("kind=%s/output=%d/path=%s", v.name, every, path), func(b *testing.B) {
					defer limit(path)()
					a := Averaging{LowPass: v.spec, Every: every, Precision: Single}
					if path == "float64" {
						a.Precision = Double
					}
					s, err := NewContinuous(c.config(), a)
					if err != nil {
						b.Fatal(err)
					}
					frames := 0
					emit := func(*Frame) error { frames++; return nil }
					if err := s.WriteInt16(x, emit); err != nil { // tables, first frames
						b.Fatal(err)
					}
					b.ReportAllocs()
					for b.Loop() {
						if err := s.WriteInt16(x, emit); err != nil {
							b.Fatal(err)
						}
					}
					b.ReportMetric(float64(b.N)*float64(len(x))/b.Elapsed().Seconds()/1e6, "Mchsamples/s")
				})
			}
		}
	}
}
