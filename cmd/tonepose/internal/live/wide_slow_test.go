//go:build slow

package live_test

import (
	"fmt"
	"os"
	"runtime"
	"runtime/debug"
	"testing"

	"tonepose/cmd/tonepose/internal/engine"
	"tonepose/cmd/tonepose/internal/live"
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

// minutes notes memory and goroutines every minute of a stream, as rows are written.
type minutes struct {
	t                 *testing.T
	own               float64 // that the test's samples take [MiB]
	frames            int
	goroutines        int
	early, late, most float64 // [MiB]
}

func (m *minutes) Write(b []byte) (int, error) {
	const minute = 60 / wideHop // frames
	m.frames++                  // the first is the head
	if m.frames%minute != 0 {
		return len(b), nil
	}
	now, goroutines, at := resident(m.t)-m.own, runtime.NumGoroutine(), m.frames/minute
	m.t.Logf("minute %d: %.1f MiB, %d goroutines", at, now, goroutines)
	m.most = max(m.most, now)
	switch {
	case at == 5:
		m.goroutines = goroutines
	case at > 5 && goroutines != m.goroutines:
		m.t.Errorf("minute %d: %d goroutines, want %d", at, goroutines, m.goroutines)
	}
	switch {
	case at > 25:
		m.late += now / 5
	case at > 5 && at <= 10:
		m.early += now / 5
	}
	return len(b), nil
}

// Half an hour of the wide bench, from samples to rows and parts, takes no more memory in
// its last five minutes than in those after the first five, within a twentieth on the
// mean, as searches come and go every few seconds; and as many goroutines. The samples that
// the test goes through again and again do not count.
func TestHalfAnHourInTheSameMemory(t *testing.T) {
	debug.SetGCPercent(33) // as the program has it
	w := newWide(t, 2)
	debug.FreeOSMemory() // of the simulation
	m := &minutes{t: t, own: float64(len(w.samples)) / (1 << 20)}
	o := w.options(t, m)
	o.Event = func(v engine.Event) { t.Logf("%.3f s: %s", v.Time, v.Text) }
	w.through(&o, 30*60+2) // longer: rows lag behind what is read by some blocks
	if _, err := live.Run(t.Context(), o); err != nil {
		t.Fatal(err)
	}
	if m.late > 1.05*m.early || m.most > 150 {
		t.Errorf("%.1f MiB in minutes 26 to 30, %.1f in 6 to 10, up to %.1f; want at most a twentieth more, and 150", m.late, m.early, m.most)
	}
}
