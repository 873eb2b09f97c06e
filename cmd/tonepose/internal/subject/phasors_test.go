package subject

import (
	"fmt"
	"math"
	"os"
	"testing"

	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/cmd/tonepose/internal/verdict"
)

// inventedPhasor is that of an emitter on a channel in a window of the rig four-probes:
// 100 sigmas, but 40 of emitter 3 in window 1234. Every 100th window is flagged.
func inventedPhasor(window, channel, emitter int) (time, in, quadrature, sigma float64, flags verdict.Flags) {
	level := 100.0
	if emitter == 3 && window == 1234 {
		level = 40
	}
	sigma = 1e-6 * float64(1+channel)
	turn := 0.1*float64(window) + float64(emitter)
	if window%100 == 50 {
		flags = verdict.Distorted
	}
	return inventedTime(window), level * sigma * math.Cos(turn), level * sigma * math.Sin(turn), sigma, flags
}

func inventedTime(window int) float64 { return 0.01 * (float64(window) + 0.5) }

// phasorRun is a run with so many windows of phasors on six channels.
func phasorRun(t *testing.T, windows int) *Run {
	t.Helper()
	text, err := os.ReadFile(testdata("rigs", "four-probes.rig.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	set, err := tables.Create(dir, true, tables.Metadata{Rig: string(text), Options: map[string]string{}}, tables.PosesName, tables.PhasorsName)
	if err != nil {
		t.Fatal(err)
	}
	p, _ := invented(0)
	if err := set.Poses.Write(p); err != nil {
		t.Fatal(err)
	}
	for w := range windows {
		for c := range 6 {
			for e := range 8 {
				time, in, quadrature, sigma, flags := inventedPhasor(w, c, e)
				if err := set.Phasors.Write(tables.Phasor{Time: time, Duration: 0.01, Channel: []string{"rx11", "rx12", "rx13", "rx21", "rx22", "rx23"}[c],
					Tone: fmt.Sprintf("e%d", 1+e), ToneHz: 1000 + 100*float64(e), InPhase: in, Quadrature: quadrature, Sigma: sigma, Flags: flags}); err != nil {
					t.Fatal(err)
				}
			}
		}
	}
	if err := set.Close(); err != nil {
		t.Fatal(err)
	}
	r, err := OpenRun(RunOptions{Dir: dir}, func(string) {})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(r.Close)
	return r
}

// Clouds have the phasors of the table: of a short stretch those of its windows, of a long
// one those of windows evenly picked.
func TestPhasorsOfStretches(t *testing.T) {
	const windows = 12_000 // 576 000 rows: more than are read for a cloud
	r := phasorRun(t, windows)
	const channel = 4 // rx22
	gather := func(from, to float64, most, wantEvery, wantWindows int) {
		t.Helper()
		seen, last, first := 0, -1, -1
		every, err := r.Phasors(t.Context(), channel, from, to, most, func(p *tables.Phasor) {
			w, e := int(math.Round(p.Time/0.01-0.5)), int(p.Tone[1]-'1')
			if first < 0 {
				first = w
			}
			if w != last {
				if last >= 0 && w-last != wantEvery {
					t.Errorf("window %d follows %d, want every %d", w, last, wantEvery)
				}
				last = w
			}
			time, in, quadrature, sigma, flags := inventedPhasor(w, channel, e)
			// Picked ones have 24 bits.
			if p.Time != time || p.Channel != "rx22" || math.Hypot(p.InPhase-in, p.Quadrature-quadrature) > 1e-7*100*sigma || math.Abs(p.Sigma-sigma) > 1e-7*sigma || p.Flags != flags {
				t.Errorf("window %d, emitter %d: %+v, want %g + j %g ± %g, %v", w, e, p, in, quadrature, sigma, flags)
			}
			seen++
		})
		if err != nil || every != wantEvery || seen != 8*wantWindows {
			t.Errorf("%g to %g s: %d phasors of every %d windows, %v; want %d of every %d", from, to, seen, every, err, 8*wantWindows, wantEvery)
		}
		if first >= 0 && (inventedTime(first) < from || inventedTime(last) > to) {
			t.Errorf("%g to %g s: windows %d to %d", from, to, first, last)
		}
	}
	gather(inventedTime(100), inventedTime(149), 2000, 1, 50)
	gather(inventedTime(100)+1e-3, inventedTime(149)-1e-3, 2000, 1, 48)
	gather(-5, -1, 2000, 1, 0)
	if _, err := r.Phasors(t.Context(), channel, 0, 1000, 2000, nil); err != ErrLater {
		t.Errorf("before the table was read: %v", err)
	}
	picked, levels, err := r.pick(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	// 12 000 windows of 16 channels and 8 emitters would be 1.5 million values, where a
	// million is kept: of every second.
	r.picked = picked
	gather(0, 1000, 1<<20, 2, windows/2)
	gather(0, 1000, 1000, 12, windows/12)
	if len(picked.Values) > 1<<20 || len(picked.Marks) > 1<<20 {
		t.Errorf("%d values are kept", len(picked.Values))
	}
	// Three coils together: √3 times the level of one. The others have no phasors.
	for i, l := range levels {
		for e, clear := range l.Clear {
			want, at := math.Inf(1), 0.0
			if i < 2 {
				if want = math.Sqrt(3) * 100; e == 3 {
					want, at = math.Sqrt(3)*40, inventedTime(1234)
				}
			}
			if clear != want && math.Abs(clear-want) > 1e-9*want || e == 3 && i < 2 && l.At[e] != at {
				t.Errorf("sensor %d, emitter %d: least %g at %g s, want %g at %g s", i, e, clear, l.At[e], want, at)
			}
		}
	}
}
