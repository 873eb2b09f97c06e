package tables

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

func names(t *testing.T, dir string) (list []string) {
	t.Helper()
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		list = append(list, e.Name())
	}
	return list
}

func TestAbortLeavesNothing(t *testing.T) {
	root := t.TempDir()
	s, err := Create(filepath.Join(root, "a", "b"), false, invented)
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Poses.Write(inventedPoses(2000)...); err != nil {
		t.Fatal(err)
	}
	s.Abort()
	s.Abort()
	if left := names(t, root); left != nil {
		t.Errorf("left behind: %v", left)
	}
	if err := s.Poses.Write(Pose{}); err == nil {
		t.Error("a row was taken after Abort")
	}
	if err := s.Close(); err == nil {
		t.Error("Close after Abort gave no error")
	}
}

func TestFailedRowAbortsTheSet(t *testing.T) {
	dir := t.TempDir()
	s, err := Create(dir, false, invented)
	if err != nil {
		t.Fatal(err)
	}
	nan := 0.0
	nan /= nan
	if s.Phasors.Write(Phasor{Sigma: nan}) == nil {
		t.Fatal("NaN was taken")
	}
	if s.Close() == nil {
		t.Error("Close hides the failure")
	}
	if left := names(t, dir); left != nil {
		t.Errorf("left behind: %v", left)
	}
}

func TestFullDirectoryNeedsForce(t *testing.T) {
	dir := t.TempDir()
	for _, name := range []string{"notes.txt", "poses.parquet", "phasors.parquet"} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte("old "+name), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	before := names(t, dir)
	_, err := Create(dir, false, invented)
	if err == nil || !strings.Contains(err.Error(), "notes.txt") || !strings.Contains(err.Error(), "--force") {
		t.Fatalf("error %v must name what is there and the mend", err)
	}
	if diff := cmp.Diff(before, names(t, dir)); diff != "" {
		t.Error(diff)
	}

	s, err := Create(dir, true, invented, PhasorsName)
	if err != nil {
		t.Fatal(err)
	}
	if old, _ := os.ReadFile(filepath.Join(dir, "poses.parquet")); string(old) != "old poses.parquet" {
		t.Error("an earlier table changed before Close")
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	// The poses belonged to another run: they must not stand beside new phasors.
	if diff := cmp.Diff([]string{"notes.txt", "phasors.parquet"}, names(t, dir)); diff != "" {
		t.Error(diff)
	}
	if r, err := Open[Phasor](filepath.Join(dir, "phasors.parquet")); err != nil {
		t.Error(err)
	} else {
		r.Close()
	}
}

func TestCreateRefuses(t *testing.T) {
	dir := t.TempDir()
	file := filepath.Join(dir, "file")
	if err := os.WriteFile(file, nil, 0o644); err != nil {
		t.Fatal(err)
	}
	for _, at := range []string{file, filepath.Join(file, "below")} {
		if _, err := Create(at, true, invented); err == nil || !strings.Contains(err.Error(), "file") {
			t.Errorf("%s: %v", at, err)
		}
	}
	fresh := filepath.Join(dir, "fresh")
	if _, err := Create(fresh, false, invented, "nosuch"); err == nil || !strings.Contains(err.Error(), `"nosuch"`) {
		t.Errorf("unknown table: %v", err)
	}
	if _, err := os.Stat(fresh); err == nil {
		t.Error("a refused set left its directory")
	}
}
