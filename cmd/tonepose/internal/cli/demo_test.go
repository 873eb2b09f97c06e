package cli

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// The demo is the first command that anybody runs.
func TestDemo(t *testing.T) {
	dir := t.TempDir()
	text := tonepose(t, "demo", "--dir", dir, "--quiet")
	for _, run := range demoRuns {
		if !strings.Contains(text, run.path) {
			t.Errorf("no %s in\n%s", run.path, text)
		}
		for _, file := range []string{run.path + ".sigmf-data", run.path + ".truth.csv", filepath.Join(run.path, "poses.parquet"),
			run.path + "-path.png", run.path + "-accuracy.png", run.path + "-coupling.png", run.path + "-spectrum.png"} {
			if info, err := os.Stat(filepath.Join(dir, file)); err != nil || info.Size() == 0 {
				t.Errorf("%s: %v", file, err)
			}
		}
	}
}
