package stream

import (
	"context"
	"math"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"

	"tonepose/multitone"
	"tonepose/multitone/clock"
	"tonepose/multitone/recording"
	"tonepose/multitone/window"
)

// fuzzBytes bounds the samples of one trial, so that many are tried.
const fuzzBytes = 16 << 10

// FuzzMeasure goes the whole way from a file's description to phasors: whatever the
// metadata state and the samples are, there is an error in words, or frames whose
// phasors are finite and whose variances are positive or +Inf; and memory follows the
// bytes that there are, not those that are promised.
func FuzzMeasure(f *testing.F) {
	const recordings = "../../../../testdata/recordings/"
	meta, err := os.ReadFile(recordings + "pipe-bench-moving.sigmf-meta")
	if err != nil {
		f.Fatal(err)
	}
	data, err := os.ReadFile(recordings + "pipe-bench-moving.sigmf-data")
	if err != nil {
		f.Fatal(err)
	}
	data = data[:fuzzBytes]
	f.Add(string(meta), data, 5125.0, 6325.0, 10e-3, 5e-3, uint8(0))
	stated := func(datatype, rate, channels, captures string) string {
		return `{"global":{"core:datatype":"` + datatype + `","core:sample_rate":` + rate + `,"core:num_channels":` + channels + `},"captures":[` + captures + `]}`
	}
	for _, rate := range []string{"1e-3", "0.1", "1", "48000", "1e9", "1e13", "1e18", "1e300", "2e-300"} {
		f.Add(stated("ri16_le", rate, "4", ""), data, 0.01, 5125.0, 0.0, 0.0, uint8(0))
		f.Add(stated("rf32_le", rate, "2", ""), data, 0.1, 0.2, 1e-6, 1e-9, uint8(1))
	}
	for _, channels := range []string{"1", "512", "4096"} {
		f.Add(stated("ri8", "1000", channels, ""), data, 10.0, 499.0, 1e-2, 1e-2, uint8(2))
	}
	f.Add(stated("rf64_le", "1000", "2", ""), []byte(strings.Repeat("\x00\x00\x00\x00\x00\x00\xf0\x7f\xff\xff\xff\xff\xff\xff\xef\x7f\x00\x00\x00\x00\x00\x00\xf0\x3f\x00\x00\x00\x00\x00\x00\xf8\x7f", 500)), 10.0, 20.0, 0.2, 0.1, uint8(0))
	f.Add(stated("ri16_le", "1000", "2", `{"core:sample_start":0,"core:global_index":0},{"core:sample_start":100,"core:global_index":1000000000000000000},
		{"core:sample_start":200,"core:datetime":"0001-01-01T00:00:00Z"},{"core:sample_start":900,"core:datetime":"9999-01-01T00:00:00Z"}`), data, 10.0, 20.0, 0.2, 0.1, uint8(3))
	f.Add(string(meta), data, -78.0, 5125.0, 10e-3, 5e-3, uint8(0))
	f.Add(stated("ri16_le", "1000", "2", ""), data, 100.0, 200.0, 1e-300, 1e300, uint8(4))

	dir := f.TempDir()
	name := filepath.Join(dir, "f.sigmf-meta")
	f.Fuzz(func(t *testing.T, meta string, data []byte, first, second, length, hop float64, kind uint8) {
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		data = data[:min(len(data), fuzzBytes)]
		for file, bytes := range map[string][]byte{name: []byte(meta), filepath.Join(dir, "f.sigmf-data"): data} {
			if err := os.WriteFile(file, bytes, 0o600); err != nil {
				t.Fatal(err)
			}
		}
		told := func(err error) bool {
			if err != nil && strings.TrimSpace(err.Error()) == "" {
				t.Fatal("an error without a word")
			}
			return err != nil
		}
		rec, err := recording.Open(context.Background(), name, recording.Options{IgnoreHash: true})
		if told(err) {
			return
		}
		defer rec.Close()
		m := Measurement{Tones: []multitone.Tone{{Name: "a", Hz: first}, {Name: "b", Hz: second, Reference: multitone.OnChannel(0)}}}
		switch w := &m.Windows; kind % 5 {
		case 0:
			w.Length, w.Hop = length, hop
		case 1:
			w.LowPass = &LowPass{Spec: window.Spec{Kind: window.Cascade, Order: int(kind>>3)%9 + 1, TimeConstantS: length}, OutputHz: hop}
		case 2:
			w.LowPass = &LowPass{Spec: window.Spec{Kind: window.Butterworth, Order: int(kind>>3)%9 + 1, CutoffHz: length}, OutputHz: hop}
		case 3:
			w.Intervals = []Interval{{Start: length, Stop: length + hop, Origin: "f"}, {Start: 0, Stop: length, Origin: "f"}}
		}
		survey, err := Observe(context.Background(), rec, m.Tones, clock.Common, nil)
		if told(err) {
			return
		}
		_, err = Measure(context.Background(), rec, survey, m, func(v *Measured) error {
			for i, p := range v.Phasor {
				if variance := v.Variance[i]; !(variance > 0) {
					t.Fatalf("variance %g at %g s", variance, v.Time)
				} else if !math.IsInf(variance, 1) && !finite(p) {
					t.Fatalf("phasor %v with variance %g at %g s", p, variance, v.Time)
				}
			}
			return nil
		}, nil)
		told(err)
		runtime.ReadMemStats(&after)
		// The first seconds that are watched, and the tables of a window, are some megabytes
		// for the 4,096 channels that a file may have at most.
		if used := after.TotalAlloc - before.TotalAlloc; used > 1<<30 {
			t.Fatalf("%d bytes allocated for %d of samples", used, len(data))
		}
	})
}

func finite(p complex128) bool { return real(p)-real(p) == 0 && imag(p)-imag(p) == 0 }
