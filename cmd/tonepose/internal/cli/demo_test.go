package cli

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"tonepose/cmd/tonepose/internal/demo"
)

// The demo is the first command that anybody runs.
func TestDemo(t *testing.T) {
	dir := t.TempDir()
	text := tonepose(t, "demo", "--dir", dir, "--quiet")
	for _, run := range demo.Scenes {
		if !strings.Contains(text, run.Path) {
			t.Errorf("no %s in\n%s", run.Path, text)
		}
		for _, file := range []string{run.Path + ".sigmf-data", run.Path + ".truth.csv", filepath.Join(run.Path, "poses.parquet"),
			run.Path + "-path.png", run.Path + "-accuracy.png", run.Path + "-coupling.png", run.Path + "-spectrum.png"} {
			if info, err := os.Stat(filepath.Join(dir, file)); err != nil || info.Size() == 0 {
				t.Errorf("%s: %v", file, err)
			}
		}
	}
}
