// Package growth measures, for benchmarks, how the time and the memory of a job grow
// with its length.
package growth

import (
	"fmt"
	"math"
	"path/filepath"
	"runtime"
	"runtime/debug"
	"runtime/metrics"
	"testing"
	"time"

	"tonepose/cmd/tonepose/internal/simulate"
)

// Row is a job of which a length can be chosen.
type Row struct {
	Length string  // what it is counted in, such as seconds
	First  float64 // the shortest; the others are 2, 4 and 8 times as long
	Rate   string  // unit of lengths a second
	// Prepare returns the job for a length.
	Prepare func(b *testing.B, length float64) (job func() error)
}

// longest is the longest length in terms of the shortest.
const longest = 8

// gcPercent is with what the program itself runs.
const gcPercent = 33

// Run runs the job at each length, in a short run at the first alone. It reports how many
// lengths are done in a second, the most that the heap holds, and the most of it that a
// collection leaves. Last comes how far time and memory are off a straight line over the
// length, at most: a square of the length would be 51 % off, its power of 1.2 12 %. The
// time is the best of as many runs as last as long as one at the longest length, so that no
// length is more at the mercy of what else the machine does.
func (r Row) Run(b *testing.B) {
	defer debug.SetGCPercent(debug.SetGCPercent(gcPercent))
	var lengths, seconds, bytes []float64
	for n := 1; n <= longest && (n == 1 || !testing.Short()); n *= 2 {
		length := float64(n) * r.First
		b.Run(fmt.Sprintf("%s=%g", r.Length, length), func(b *testing.B) {
			job := r.Prepare(b, length)
			runtime.GC()
			peak := watch()
			least := math.Inf(1)
			run := func() {
				began := time.Now()
				if err := job(); err != nil {
					b.Fatal(err)
				}
				least = min(least, time.Since(began).Seconds())
			}
			for b.Loop() {
				run()
			}
			b.ReportMetric(length*float64(b.N)/b.Elapsed().Seconds(), r.Rate)
			most := peak()
			for unit, bytes := range most {
				b.ReportMetric(float64(bytes)/(1<<20), unit)
			}
			for i := b.N; i < longest/n && !testing.Short(); i++ {
				run()
			}
			lengths, seconds, bytes = append(lengths, length), append(seconds, least), append(bytes, float64(most[live]))
		})
	}
	if len(lengths) < 4 { // some were not chosen
		return
	}
	b.Run("growth", func(b *testing.B) {
		for b.Loop() {
		}
		b.ReportMetric(0, "ns/op")
		b.ReportMetric(100*offLine(lengths, seconds), "%-time-off-line")
		b.ReportMetric(100*offLine(lengths, bytes), "%-memory-off-line")
	})
}

// offLine is the largest relative deviation of y from the line over x that makes the
// squares of these deviations least.
func offLine(x, y []float64) float64 {
	// y = a + b·x, each equation over its y.
	var ww, wx, xx, w1, x1 float64
	for i := range x {
		u, v := 1/y[i], x[i]/y[i]
		ww, wx, xx, w1, x1 = ww+u*u, wx+u*v, xx+v*v, w1+u, x1+v
	}
	det := ww*xx - wx*wx
	a, b := (w1*xx-x1*wx)/det, (x1*ww-w1*wx)/det
	most := 0.0
	for i := range x {
		most = max(most, math.Abs((a+b*x[i])/y[i]-1))
	}
	return most
}

// Recordings runs a job on recordings of four probes, 16 channels of 200 kS/s with 8
// tones, of 5 to 40 s. testdata is the repository's.
func Recordings(b *testing.B, testdata string, job func(b *testing.B, rig, recording string) error) {
	rig := filepath.Join(testdata, "rigs", "four-probes.rig.yaml")
	Row{Length: "seconds", First: 5, Rate: "s/s", Prepare: func(b *testing.B, seconds float64) func() error {
		name := filepath.Join(b.TempDir(), "sweep")
		how := simulate.Options{DurationS: seconds, Bits: 16, Noise: 5e-9, FlickerHz: 300, MainsHz: 50, MainsV: 10e-6, ClockPPM: 31, Seed: 1}
		if _, err := simulate.Run(b.Context(), rig, "sweep", name, how, nil); err != nil {
			b.Fatal(err)
		}
		return func() error { return job(b, rig, name+".sigmf-meta") }
	}}.Run(b)
}

// every is how often memory is looked at: a job of a second is seen some hundred times.
const every = 5 * time.Millisecond

// live is the unit of what a collection leaves.
const live = "MiB-live"

// watch follows what memory holds until the function that it returns is called for
// the most of it, by its unit.
func watch() func() map[string]uint64 {
	names := map[string]string{"/gc/heap/live:bytes": live, "/memory/classes/heap/objects:bytes": "MiB-heap"}
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
