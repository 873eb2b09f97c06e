package solve_test

import (
	"errors"
	"os"
	"path/filepath"
	"testing"

	"tonepose/cmd/tonepose/internal/measure"
	"tonepose/cmd/tonepose/internal/solve"
	"tonepose/cmd/tonepose/internal/stream"
	"tonepose/multitone/recording"
)

// A recording that another program writes to while it is solved gives no tables: their hash
// would be of one recording, and their rows of another.
func TestSolveNoticesAChangedRecording(t *testing.T) {
	dir := t.TempDir()
	for _, ext := range []string{"-meta", "-data"} {
		text, err := os.ReadFile("../../../../testdata/recordings/pipe-bench-moving.sigmf" + ext)
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(dir, "pipe-bench-moving.sigmf"+ext), text, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	name := filepath.Join(dir, "pipe-bench-moving.sigmf-data")
	changed := false
	job := measure.Job{Input: measure.Input{Recording: name, Rig: "../../../../testdata/rigs/pipe-bench.rig.yaml", Progress: func(pass string, done, total int64) {
		if changed || done < total/2 {
			return
		}
		changed = true
		f, err := os.OpenFile(name, os.O_RDWR, 0)
		if err != nil {
			t.Error(err)
			return
		}
		defer f.Close()
		if _, err := f.WriteAt([]byte{1, 2, 3, 4}, 4000); err != nil {
			t.Error(err)
		}
	}}, Out: filepath.Join(dir, "out"), Windows: stream.Windows{Length: 20e-3, Hop: 20e-3}}
	if _, err := solve.Run(t.Context(), solve.Options{Job: job}); !errors.Is(err, recording.ErrChanged) {
		t.Errorf("changed: %v, error %v", changed, err)
	}
	if _, err := os.Stat(job.Out); err == nil {
		t.Error("tables are there")
	}
}
