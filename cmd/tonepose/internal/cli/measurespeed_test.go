package cli

import (
	"bufio"
	"bytes"
	"encoding/binary"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// BenchmarkDemod is the whole way from a file of 16-bit counts, 12 channels with
// 8 tones, in the page cache to a table of phasors with variances and flags:
// both passes, every check of the samples, the hash. Compare -cpu 1,2.
// Mchsamples/s counts each sample of each channel once.
func BenchmarkDemod(b *testing.B) {
	const channels, samples = 12, 4_000_000
	dir := b.TempDir()
	writeBench(b, dir, channels, samples)
	args := []string{"measure", filepath.Join(dir, "bench.sigmf-meta"), "--rig", filepath.Join(dir, "bench.rig.yaml"),
		"--window", "20.48ms", "--hop", "10.24ms", "--out", filepath.Join(dir, "out"), "--force", "--quiet"}
	for b.Loop() {
		var out, errs bytes.Buffer
		if code := Run(b.Context(), args, Streams{Out: &out, Err: &errs}); code != 0 {
			b.Fatal(errs.String())
		}
	}
	b.ReportMetric(float64(b.N)*channels*samples/b.Elapsed().Seconds()/1e6, "Mchsamples/s")
}

// writeBench writes a rig and a recording of it, invented.
func writeBench(b *testing.B, dir string, channels, samples int) {
	b.Helper()
	hz := []float64{5125, 6325, 7575, 8825, 9925, 10925, 12125, 13125}
	const rate = 100e3
	var rig strings.Builder
	fmt.Fprintf(&rig, "name: bench\nsample_rate_hz: %g\nworking_volume: {min_m: [-0.2, -0.2, 0.05], max_m: [0.2, 0.2, 0.4]}\nchannels:\n", rate)
	for c := range channels - 1 {
		fmt.Fprintf(&rig, "- {name: rx%d, full_scale_v: 2.5, gain: 100}\n", c+1)
	}
	rig.WriteString("- {name: drive, full_scale_v: 2.5, gain: 1}\nemitters:\n")
	for k, f := range hz {
		fmt.Fprintf(&rig, "- name: e%d\n  tone_hz: %g\n  current_a_peak: 0.5\n  model: {type: dipole, center_m: [%g, 0, 0], moment_m2: [0, 0, 0.1]}\n"+
			"  reference: {channel: drive, transimpedance_ohm: 0.5}\n", k+1, f, 0.1*float64(k))
	}
	rig.WriteString("sensors:\n- name: probe\n  coils:\n  - {channel: rx1, center_m: [0, 0, 0], axis: [1, 0, 0], area_turns_m2: 0.004}\n")
	meta := fmt.Sprintf(`{"global":{"core:datatype":"ri16_le","core:sample_rate":%g,"core:version":"1.2.0","core:num_channels":%d},`+
		`"captures":[{"core:sample_start":0}],"annotations":[]}`, rate, channels)
	for name, text := range map[string]string{"bench.rig.yaml": rig.String(), "bench.sigmf-meta": meta} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o644); err != nil {
			b.Fatal(err)
		}
	}
	file, err := os.Create(filepath.Join(dir, "bench.sigmf-data"))
	if err != nil {
		b.Fatal(err)
	}
	out := bufio.NewWriterSize(file, 1<<20)
	rng := rand.New(rand.NewPCG(1, 2))
	weight := make([]float64, channels*len(hz))
	for i := range weight {
		weight[i] = 2000 * rng.Float64()
	}
	now, frame := make([]float64, len(hz)), make([]byte, 2*channels)
	for n := range samples {
		for k, f := range hz {
			turns := f * (1 + 15e-6) * float64(n) / rate // the generator's clock is 15 ppm fast
			now[k] = math.Cos(2 * math.Pi * (turns - math.Floor(turns)))
		}
		for c := range channels {
			v := 8 * (rng.Float64() + rng.Float64() - 1)
			for k, x := range now {
				v += weight[c*len(hz)+k] * x
			}
			binary.LittleEndian.PutUint16(frame[2*c:], uint16(int16(math.Round(v))))
		}
		out.Write(frame)
	}
	if err := out.Flush(); err != nil {
		b.Fatal(err)
	}
	if err := file.Close(); err != nil {
		b.Fatal(err)
	}
}
