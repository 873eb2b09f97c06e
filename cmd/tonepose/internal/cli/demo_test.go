package cli

import (
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// The demo is the first command that anybody runs.
func TestDemo(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	text := tonepose(t, "demo", "--dir", dir, "--quiet")
	for _, run := range []string{"stations", "sweep"} {
		if !strings.Contains(text, run) {
			t.Errorf("no %s in\n%s", run, text)
		}
		for _, file := range []string{run + ".sigmf-data", run + ".truth.csv", filepath.Join(run, "poses.parquet"),
			run + "-path.png", run + "-accuracy.png", run + "-coupling.png", run + "-spectrum.png"} {
			if info, err := os.Stat(filepath.Join(dir, file)); err != nil || info.Size() == 0 {
				t.Errorf("%s: %v", file, err)
			}
		}
	}
}

// A step of the demo that fails is named, and leaves what came before it.
func TestDemoKeepsWhatWasDone(t *testing.T) {
	dir := t.TempDir()
	if err := os.MkdirAll(filepath.Join(dir, "stations.truth.csv", "in the way"), 0o755); err != nil {
		t.Fatal(err)
	}
	var stderr strings.Builder
	code := Run(t.Context(), []string{"demo", "--dir", dir, "--quiet"}, Streams{In: strings.NewReader(""), Out: io.Discard, Err: &stderr})
	if text := stderr.String(); code != 1 || !strings.Contains(text, "stations, simulate: ") || !strings.Contains(text, "kept") {
		t.Errorf("exit code %d: %s", code, text)
	}
	if _, err := os.Stat(filepath.Join(dir, "bench.rig.yaml")); err != nil {
		t.Error(err)
	}
}
