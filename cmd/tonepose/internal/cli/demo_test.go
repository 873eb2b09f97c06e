package cli

import (
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
