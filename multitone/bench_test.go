package multitone

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"tonepose/fieldmodels/variant/varianttest"
)

// bench is a case of the benchmarks: Hann windows that overlap by half, counts
// of 16 bits in memory.
type bench struct {
	name                    string
	channels, tones, length int
}

var benches = []bench{
	{"C12K8L2048", 12, 8, 2048},
	{"C4K3L4096", 4, 3, 4096},
	{"C32K16L4096", 32, 16, 4096},
}

func (c bench) config() Config {
	cfg := Config{SampleRate: 100e3, Channels: c.channels, CountVolts: make([]float64, c.channels)}
	for k := range c.tones {
		cfg.Tones = append(cfg.Tones, Tone{Name: fmt.Sprint("e", k+1), Hz: 5125 + 1200*float64(k), Reference: OnChannel(c.channels - 1)})
	}
	for i := range cfg.CountVolts {
		cfg.CountVolts[i] = 2.5 / 32768
	}
	return cfg
}

// counts are all tones, equally large, in noise, at half of full scale.
func (c bench) counts(samples int) []int16 {
	rng := rand.New(rand.NewPCG(1, 2))
	cfg := c.config()
	x := make([]int16, samples*c.channels)
	for n := range samples {
		var sum float64
		for _, t := range cfg.Tones {
			sum += math.Cos(2 * math.Pi * cycles(t.Hz*float64(n)/cfg.SampleRate))
		}
		for ch := range c.channels {
			x[n*c.channels+ch] = int16(16000*sum/float64(c.tones) + 30*rng.NormFloat64())
		}
	}
	return x
}

// BenchmarkMachine measures what the processor does at best; see multitone/LIMITS.md.
func BenchmarkMachine(b *testing.B) { varianttest.Machine(b) }

// BenchmarkBank measures the phasors of all tones on all channels in every
// window: sums over samples and the joint fit, scaled to volts and referred to
// the reference's phase. What judges them is left out (NoNoise, NoBend); with it,
// see BenchmarkBankWhole. Mchsamples/s counts each sample of each channel once.
func BenchmarkBank(b *testing.B) { benchBanks(b, true) }

// BenchmarkBankWhole is BenchmarkBank with the noise beside every tone, the
// variances and the measure of motion.
func BenchmarkBankWhole(b *testing.B) { benchBanks(b, false) }

func benchBanks(b *testing.B, lean bool) {
	for _, c := range benches {
		x := c.counts(1 << 17)
		for _, path := range []string{"float32", "float64", "go"} {
			b.Run(fmt.Sprintf("case=%s/path=%s", c.name, path), func(b *testing.B) {
				defer limit(path)()
				f := Framing{Length: c.length, Hop: c.length / 2, NoNoise: lean, NoBend: lean, Precision: Single}
				if path == "float64" {
					f.Precision = Double
				}
				bank, err := NewBank(c.config(), f)
				if err != nil {
					b.Fatal(err)
				}
				frames := 0
				emit := func(*Frame) error { frames++; return nil }
				if err := bank.WriteInt16(x, emit); err != nil { // tables, first frames
					b.Fatal(err)
				}
				b.ReportAllocs()
				for b.Loop() {
					if err := bank.WriteInt16(x, emit); err != nil {
						b.Fatal(err)
					}
				}
				b.ReportMetric(float64(b.N)*float64(len(x))/b.Elapsed().Seconds()/1e6, "Mchsamples/s")
			})
		}
	}
}

// BenchmarkOutliers looks for bursts in the samples of one channel with eight tones at
// 200 kHz, in a stretch as long as a block of sixteen channels is.
func BenchmarkOutliers(b *testing.B) {
	const length = 6144
	cfg := bench{channels: 1, tones: 8, length: length}.config()
	cfg.SampleRate = 200e3
	for k := range cfg.Tones {
		cfg.Tones[k].Reference = Reference{}
	}
	m, err := NewMender(cfg, length)
	if err != nil {
		b.Fatal(err)
	}
	x := make([]float64, length)
	for _, t := range cfg.Tones {
		sines(x, cfg.SampleRate, []float64{t.Hz}, []complex128{0.1})
	}
	noise(x, 1e-3, rand.New(rand.NewPCG(1, 1)))
	var list []Span
	for b.Loop() {
		list = m.Outliers(list, x, nil, 0)
	}
	b.ReportMetric(length*float64(b.N)/b.Elapsed().Seconds()/1e6, "Msamples/s")
}
