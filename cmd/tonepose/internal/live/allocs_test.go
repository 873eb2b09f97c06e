package live_test

import (
	"math"
	"path/filepath"
	"runtime"
	"slices"
	"testing"

	"tonepose/cmd/tonepose/internal/live"
	"tonepose/cmd/tonepose/internal/present"
	"tonepose/cmd/tonepose/internal/source"
	"tonepose/cmd/tonepose/internal/stream"
	"tonepose/cmd/tonepose/internal/tables"
)

// stretches counts what is allocated in stretches of so many frames, as rows are written.
type stretches struct {
	frames, written int
	last            uint64
	allocated       []uint64
	stats           runtime.MemStats
}

func (s *stretches) Write(b []byte) (int, error) {
	if s.written++; s.written%s.frames == 0 {
		runtime.ReadMemStats(&s.stats)
		s.allocated = append(s.allocated, s.stats.Mallocs-s.last)
		s.last = s.stats.Mallocs
	}
	return len(b), nil
}

// From samples to rows and parts nothing is allocated per frame. Searches for lines, the
// learning of a motion, pages of a table and parts allocate, each once in many frames: what
// every frame does shows in every stretch of frames, and so in their median.
func TestFramesDoNotAllocate(t *testing.T) {
	s := &stretches{frames: 20, allocated: make([]uint64, 0, 200)}
	o := live.Options{Source: source.Options{Pace: math.Inf(1)}, Tables: []string{tables.PosesName, tables.IntegrityName}, Rows: present.LinesJSON, Stdout: s, PartSeconds: 0.5}
	data := filepath.Join("..", "..", "..", "..", "testdata")
	o.Recording, o.Rig = "play:"+filepath.Join(data, "recordings", "pipe-bench-moving.sigmf-meta"), filepath.Join(data, "rigs", "pipe-bench.rig.yaml")
	o.Windows = stream.Windows{Length: 10e-3, Hop: 1e-3}
	o.Out, o.Joined, o.Lag = t.TempDir(), true, 50e-3
	if _, err := live.Run(t.Context(), o); err != nil {
		t.Fatal(err)
	}
	all := s.allocated[20:] // 0.4 s: the clock is captured, and rows have memory
	slices.Sort(all)
	median := all[len(all)/2]
	t.Logf("%d stretches of %d frames, allocations: half up to %d, largest %d", len(all), s.frames, median, all[len(all)-1])
	if len(all) < 100 || median >= uint64(s.frames)/2 {
		t.Errorf("of %d stretches of %d frames half have %d allocations or more, want less than one in two frames", len(all), s.frames, median)
	}
}
