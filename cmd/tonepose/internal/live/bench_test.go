package live

import (
	"io"
	"path/filepath"
	"testing"

	"tonepose/cmd/tonepose/internal/simulate"
)

// BenchmarkLive follows four probes at their own pace: 16 channels of 200 kS/s, 8 tones,
// 10 ms windows, source to rows. It tells the latency from the arrival of a window's last
// sample to its rows.
func BenchmarkLive(b *testing.B) {
	rigFile := testdata("rigs", "four-probes.rig.yaml")
	name := filepath.Join(b.TempDir(), "sweep")
	how := simulate.Options{DurationS: 5, Bits: 16, Noise: 5e-9, FlickerHz: 300, MainsHz: 50, MainsV: 10e-6, ClockPPM: 31, Seed: 1}
	if _, err := simulate.Run(b.Context(), rigFile, "sweep", name, how, nil); err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		o := moving()
		o.Recording, o.Rig, o.Source.Pace, o.Out = "play:"+name+".sigmf-meta", rigFile, 1, b.TempDir()
		o.Rows, o.Stdout = plain{}, io.Discard
		res, err := Run(b.Context(), o)
		if err != nil {
			b.Fatal(err)
		}
		b.ReportMetric(1e3*res.Latency.Quantile(0.5), "median-ms")
		b.ReportMetric(1e3*res.Latency.Quantile(0.99), "p99-ms")
		b.ReportMetric(float64(res.Counts.Skipped), "skipped")
	}
}
