package whole

import (
	"os"
	"path/filepath"
	"testing"
)

// A file is replaced; where that fails (a directory has the name), what was
// there stays and nothing hidden is left.
func TestWriteFile(t *testing.T) {
	dir := t.TempDir()
	file, taken := filepath.Join(dir, "file"), filepath.Join(dir, "taken")
	if err := os.MkdirAll(filepath.Join(taken, "inside"), 0o755); err != nil {
		t.Fatal(err)
	}
	for _, text := range []string{"first", "second"} {
		if err := WriteFile(file, []byte(text)); err != nil {
			t.Fatal(err)
		}
		if got, err := os.ReadFile(file); string(got) != text || err != nil {
			t.Errorf("%q, %v: want %q", got, err, text)
		}
	}
	if info, err := os.Stat(file); err != nil || info.Mode() != 0o644 {
		t.Errorf("%v, %v: want a file that all may read", info.Mode(), err)
	}
	for _, bad := range []string{taken, filepath.Join(dir, "missing", "file")} {
		if err := WriteFile(bad, []byte("text")); err == nil {
			t.Errorf("%s was written", bad)
		}
	}
	if entries, err := os.ReadDir(dir); len(entries) != 2 || err != nil {
		t.Errorf("%v, %v: want file and taken alone", entries, err)
	}
}
