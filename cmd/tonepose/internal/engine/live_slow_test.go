//go:build slow

package engine

import (
	"fmt"
	"os"
	"runtime"
	"runtime/debug"
	"testing"

	"tonepose/cmd/tonepose/internal/bench"
	"tonepose/cmd/tonepose/internal/stream"
)

// resident is the memory that the process has [MiB].
func resident(t *testing.T) float64 {
	t.Helper()
	text, err := os.ReadFile("/proc/self/statm")
	if err != nil {
		t.Skip("no /proc: resident memory is not measured here")
	}
	var all, pages int
	if _, err := fmt.Sscan(string(text), &all, &pages); err != nil {
		t.Fatal(err)
	}
	return float64(pages*os.Getpagesize()) / (1 << 20)
}

// Half an hour of a wide stream takes no more memory at its end than after five minutes,
// within a twentieth, and as many goroutines.
func TestHalfAnHourInTheSameMemory(t *testing.T) {
	r := wideRig(t)
	of := bench.New(r)
	src := wideStream(t, r, of, 2)
	// As the command that follows streams has it: what searches leave is soon collected.
	defer debug.SetGCPercent(debug.SetGCPercent(30))
	debug.FreeOSMemory() // of the simulation
	minutes := 30
	src.left = int64(60 * float64(minutes) * src.info.SampleRate)
	e, err := New(of, Options{Windows: stream.Windows{Length: 10e-3, Hop: 5e-3}, Causal: true, Event: func(v Event) { t.Logf("%.3f s: %s", v.Time, v.Text) }})
	if err != nil {
		t.Fatal(err)
	}
	frames, goroutines := 0, 0
	var early, most float64
	if _, _, err := e.Run(t.Context(), src, func(*Observation) error {
		if frames++; frames%(60*200) == 0 {
			now := resident(t)
			t.Logf("minute %d: %.1f MiB, %d goroutines", frames/(60*200), now, runtime.NumGoroutine())
			switch minute := frames / (60 * 200); {
			case minute == 5:
				early, goroutines = now, runtime.NumGoroutine()
			case minute > 5:
				most = max(most, now)
				if n := runtime.NumGoroutine(); n != goroutines {
					t.Errorf("minute %d: %d goroutines, want %d", minute, n, goroutines)
				}
			}
		}
		return nil
	}, nil); err != nil {
		t.Fatal(err)
	}
	if most > 1.05*early || most > 150 {
		t.Errorf("up to %.1f MiB, %.1f after five minutes; want at most a twentieth more, and 150", most, early)
	}
}
