// Package growth measures, for benchmarks, how the time and the memory of a job grow
// with the length of a recording.
package growth

import (
	"fmt"
	"path/filepath"
	"runtime"
	"runtime/metrics"
	"testing"
	"time"

	"tonepose/cmd/tonepose/internal/simulate"
)

// Recordings runs a job on recordings of four probes, 16 channels of 200 kS/s with 8
// tones, of 1, 2, 4 and 8 times 5 s. It reports how many seconds are done in a second,
// the most that the heap holds, and the most of it that a collection leaves.
// testdata is the repository's. In a short run there is the first alone.
func Recordings(b *testing.B, testdata string, job func(b *testing.B, rig, recording string) error) {
	rig := filepath.Join(testdata, "rigs", "four-probes.rig.yaml")
	lengths := []float64{5, 10, 20, 40}
	if testing.Short() {
		lengths = lengths[:1]
	}
	for _, seconds := range lengths {
		b.Run(fmt.Sprintf("seconds=%g", seconds), func(b *testing.B) {
			name := filepath.Join(b.TempDir(), "sweep")
			how := simulate.Options{DurationS: seconds, Bits: 16, Noise: 5e-9, FlickerHz: 300, MainsHz: 50, MainsV: 10e-6, ClockPPM: 31, Seed: 1}
			if _, err := simulate.Run(b.Context(), rig, "sweep", name, how, nil); err != nil {
				b.Fatal(err)
			}
			runtime.GC()
			peak := watch()
			for b.Loop() {
				if err := job(b, rig, name+".sigmf-meta"); err != nil {
					b.Fatal(err)
				}
			}
			b.ReportMetric(seconds*float64(b.N)/b.Elapsed().Seconds(), "s/s")
			for unit, bytes := range peak() {
				b.ReportMetric(float64(bytes)/(1<<20), unit)
			}
		})
	}
}

// every is how often memory is looked at: a job of a second is seen some hundred times.
const every = 5 * time.Millisecond

// watch follows what memory holds until the function that it returns is called for
// the most of it, by its unit.
func watch() func() map[string]uint64 {
	names := map[string]string{"/gc/heap/live:bytes": "MiB-live", "/memory/classes/heap/objects:bytes": "MiB-heap"}
	var samples []metrics.Sample
	for name := range names {
		samples = append(samples, metrics.Sample{Name: name})
	}
	most := make(map[string]uint64)
	stop, done := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(done)
		tick := time.NewTicker(every)
		defer tick.Stop()
		for {
			metrics.Read(samples)
			for _, s := range samples {
				most[names[s.Name]] = max(most[names[s.Name]], s.Value.Uint64())
			}
			select {
			case <-stop:
				return
			case <-tick.C:
			}
		}
	}()
	return func() map[string]uint64 {
		close(stop)
		<-done
		return most
	}
}
