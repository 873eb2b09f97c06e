package simulate

import (
	"path/filepath"
	"testing"

	"tonepose/cmd/tonepose/internal/rig"
)

// The pipe bench as a stream of counts without end, every disturbance on: seconds of
// recording a second.
func BenchmarkGenerator(b *testing.B) {
	r, err := rig.Load(filepath.Join("..", "..", "..", "..", "testdata", "rigs", "pipe-bench.rig.yaml"), rig.Options{})
	if err != nil {
		b.Fatal(err)
	}
	p, err := BuiltinPath("sweep", r, 0, 1)
	if err != nil {
		b.Fatal(err)
	}
	g := generator(b, r, p, Options{Bits: 16, Noise: 5e-9, FlickerHz: 300, MainsHz: 50, MainsV: 10e-6, ClockPPM: 31, CurrentDrift: 5e-4}, 0)
	if _, err := g.Change(0, Clock{60}); err != nil {
		b.Fatal(err)
	}
	x := make([]int16, 1000*len(r.Channels))
	b.ReportAllocs()
	for b.Loop() {
		if _, err := g.ReadInt16(x); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(b.N)*1000/r.SampleRateHz/b.Elapsed().Seconds(), "×real-time")
}
