package recording

import (
	"context"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"
)

// BenchmarkRead reads a file that the system holds in memory, 4 channels, to blocks of 4,096 samples.
// Metric: Msamples/s, every channel's samples counted.
func BenchmarkRead(b *testing.B) {
	for _, format := range []string{"ri8", "ri16_le", "ri16_be", "ri24_le", "ri32_le", "rf32_le", "rf64_le", "int16", "csv"} {
		b.Run("format="+format, func(b *testing.B) { benchmarkRead(b, format, 4) })
	}
	b.Run("format=ri16_le/channels=1", func(b *testing.B) { benchmarkRead(b, "ri16_le", 1) })
	b.Run("format=ri16_le/channels=12", func(b *testing.B) { benchmarkRead(b, "ri16_le", 12) })
}

func benchmarkRead(b *testing.B, format string, channels int) {
	opt := Options{SampleRate: 1e5, Format: format, Channels: channels}
	name := filepath.Join(b.TempDir(), "case")
	counts := format == "int16"
	if counts {
		opt.Format = "ri16_le"
	}
	rng := rand.New(rand.NewPCG(1, 2))
	data := make([]byte, 24<<20)
	if format == "csv" {
		data = data[:0]
		for i := range 50_000 {
			data = fmt.Appendf(data, "%.5f", float64(i)/1e5)
			for range channels {
				data = fmt.Appendf(data, ",%.5g", rng.NormFloat64())
			}
			data = append(data, '\n')
		}
	} else {
		for i := range data {
			data[i] = byte(rng.Uint32())
		}
	}
	if err := os.WriteFile(name, data, 0o600); err != nil {
		b.Fatal(err)
	}
	r, err := Open(context.Background(), name, opt)
	if err != nil {
		b.Fatal(err)
	}
	defer r.Close()
	const block = 4096
	dst := make([][]float64, channels)
	for c := range dst {
		dst[c] = make([]float64, block)
	}
	dst16 := make([]int16, block*channels)
	b.SetBytes(int64(len(data)))
	b.ReportAllocs()
	for b.Loop() {
		r.Rewind()
		for {
			if counts {
				_, err = r.ReadInt16(dst16)
			} else {
				_, err = r.ReadPlanar(dst)
			}
			if err == io.EOF {
				break
			}
			if err != nil {
				b.Fatal(err)
			}
		}
	}
	total := float64(r.Info().Samples) * float64(channels) * float64(b.N)
	b.ReportMetric(total/b.Elapsed().Seconds()/1e6, "Msamples/s")
}

// BenchmarkMonitor checks counts in memory: 4 channels of noise with a tone. Metric: Msamples/s.
func BenchmarkMonitor(b *testing.B) {
	for _, channels := range []int{1, 2, 4, 12, 32} {
		b.Run(fmt.Sprintf("format=int16/channels=%d", channels), func(b *testing.B) {
			m := NewMonitor(testInfo("ri16_le", channels))
			d := make([]int16, 8<<20/channels*channels)
			noise := rand.New(rand.NewPCG(1, 2))
			for i := range d {
				d[i] = int16(20000*math.Sin(float64(i/channels)*0.3) + 30*noise.NormFloat64())
			}
			b.ReportAllocs()
			pos := int64(0)
			for b.Loop() {
				m.Int16(d, pos)
				pos += int64(len(d) / channels)
			}
			b.ReportMetric(float64(len(d))*float64(b.N)/b.Elapsed().Seconds()/1e6, "Msamples/s")
		})
	}
	b.Run("format=float/channels=4", func(b *testing.B) {
		m := NewMonitor(testInfo("rf32_le", 4))
		x := make([][]float64, 4)
		noise := rand.New(rand.NewPCG(1, 2))
		for c := range x {
			x[c] = make([]float64, 4096)
			for i := range x[c] {
				x[c][i] = math.Sin(float64(i)*0.3) + 1e-3*noise.NormFloat64()
			}
		}
		b.ReportAllocs()
		pos := int64(0)
		for b.Loop() {
			m.Planar(x, pos)
			pos += 4096
		}
		b.ReportMetric(4*4096*float64(b.N)/b.Elapsed().Seconds()/1e6, "Msamples/s")
	})
}

func testInfo(datatype string, channels int) Info {
	in := Info{Name: "case", Datatype: datatype, SampleRate: 1e5, Channels: channels, Integer: datatype[1] != 'f'}
	in.Names = channelNames(channels, nil, nil)
	in.Scale = make([]float64, channels)
	for c := range in.Scale {
		in.Scale[c] = 1
		if in.Integer {
			typ, _ := parseDatatype(datatype)
			in.Bits = 8 * typ.size
			in.Scale[c] = math.Ldexp(1, 1-in.Bits)
		}
	}
	in.Captures = []Capture{{}}
	return in
}
