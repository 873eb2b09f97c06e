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

// Half an hour of a wide stream takes no more memory in its last five minutes than in
// those after the first five, within a twentieth on the mean, as searches come and go every
// few seconds; and as many goroutines.
func TestHalfAnHourInTheSameMemory(t *testing.T) {
	r := wideRig(t)
	of := bench.New(r)
	src := wideStream(t, r, of, 2)
	// As the command that follows streams has it: what searches leave is soon collected.
	defer debug.SetGCPercent(debug.SetGCPercent(30))
	debug.FreeOSMemory()                               // of the simulation
	src.left = int64(60*30*src.info.SampleRate) + 4000 // a window longer: frames lag behind by one
	e, err := New(of, Options{Windows: stream.Windows{Length: 10e-3, Hop: 5e-3}, Causal: true, Event: func(v Event) { t.Logf("%.3f s: %s", v.Time, v.Text) }})
	if err != nil {
		t.Fatal(err)
	}
	frames, goroutines := 0, 0
	var early, late, most float64
	if _, _, err := e.Run(t.Context(), src, func(*Observation) error {
		if frames++; frames%(60*200) == 0 {
			now := resident(t)
			t.Logf("minute %d: %.1f MiB, %d goroutines", frames/(60*200), now, runtime.NumGoroutine())
			minute := frames / (60 * 200)
			if most = max(most, now); minute == 5 {
				goroutines = runtime.NumGoroutine()
			} else if n := runtime.NumGoroutine(); minute > 5 && n != goroutines {
				t.Errorf("minute %d: %d goroutines, want %d", minute, n, goroutines)
			}
			switch {
			case minute > 25:
				late += now / 5
			case minute > 5 && minute <= 10:
				early += now / 5
			}
		}
		return nil
	}, nil); err != nil {
		t.Fatal(err)
	}
	if late > 1.05*early || most > 150 {
		t.Errorf("%.1f MiB in minutes 26 to 30, %.1f in 6 to 10, up to %.1f; want at most a twentieth more, and 150", late, early, most)
	}
}
