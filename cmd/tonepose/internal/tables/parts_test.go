package tables

import (
	"bytes"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// inParts writes rows to parts of a length and returns the writer, its last part
// still open.
func inParts(t *testing.T, dir string, seconds float64, rows []Pose) *Parts {
	t.Helper()
	p, err := Append(dir, false, seconds, invented, PosesName)
	if err != nil {
		t.Fatal(err)
	}
	for _, row := range rows {
		if err := p.Turn(row.Time); err != nil {
			t.Fatal(err)
		}
		if err := p.Poses.Write(row); err != nil {
			t.Fatal(err)
		}
	}
	return p
}

func TestPartsReadAsOneTable(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "new", "run")
	rows := inventedPoses(1050) // 10.5 s
	p := inParts(t, dir, 2.5, rows)
	want := []string{"poses-000001.parquet", "poses-000002.parquet", "poses-000003.parquet", "poses-000004.parquet"}
	if have := visible(t, dir); !slices.Equal(have, want) {
		t.Errorf("before the last part is closed: %v, want %v", have, want)
	}
	if err := p.Close(); err != nil {
		t.Fatal(err)
	}
	p.Abort()
	if have := visible(t, dir); len(have) != 5 {
		t.Errorf("after Close: %v", have)
	}
	name := filepath.Join(dir, "poses.parquet")
	r, err := Open[Pose](name)
	compare(t, r, err, rows)
	// Each by itself has the rows of its time.
	for i, n := range []int{250, 250, 250, 250, 50} {
		one, err := Open[Pose](filepath.Join(dir, visible(t, dir)[i]))
		compare(t, one, err, rows[250*i:250*i+n])
	}
	whole := commit(t, nil, rows)
	var have, wanted bytes.Buffer
	if err := dump(t, name).WriteCSV(&have); err != nil {
		t.Fatal(err)
	}
	if err := dump(t, filepath.Join(whole, "poses.parquet")).WriteCSV(&wanted); err != nil {
		t.Fatal(err)
	}
	if have.String() != wanted.String() {
		t.Error("parts are printed otherwise than one table of the same rows")
	}
	if _, err := Open[Pose](filepath.Join(dir, "couplings.parquet")); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("a table without parts: %v", err)
	}
}

// A run that was killed leaves an unfinished file; the one that goes on takes it away,
// and appends. One that still lives is left alone.
// A part that is damaged is named, and no other.
func TestDamagedPartsAreNamed(t *testing.T) {
	dir := t.TempDir()
	if err := inParts(t, dir, 2.5, inventedPoses(500)).Close(); err != nil {
		t.Fatal(err)
	}
	second := filepath.Join(dir, visible(t, dir)[1])
	if err := os.WriteFile(second, []byte("PAR1"), 0o644); err != nil {
		t.Fatal(err)
	}
	r, err := Open[Pose](filepath.Join(dir, "poses.parquet"))
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	for _, err = range r.All() {
		if err != nil {
			break
		}
	}
	if err == nil || !strings.HasPrefix(err.Error(), second+": not a Parquet file, cut short or damaged") {
		t.Errorf("%v, want one that begins with %s", err, second)
	}
}

func TestPartsGoOn(t *testing.T) {
	dir := t.TempDir()
	rows := inventedPoses(600)
	inParts(t, dir, 2.5, rows).Abort()
	if err := os.WriteFile(filepath.Join(dir, ".poses-000003.parquet.123.tonepose.partial"), []byte("PAR1"), 0o600); err != nil {
		t.Fatal(err)
	}
	if all, _ := os.ReadDir(dir); len(all) != 3 {
		t.Fatalf("%v: want two parts and one that is hidden", all)
	}
	p := inParts(t, dir, 2.5, rows[:10])
	if _, err := Append(dir, false, 2.5, invented, PosesName); err == nil || !strings.Contains(err.Error(), "another run is writing into it") {
		t.Errorf("beside a run that lives: %v", err)
	}
	if e := p.Earlier; e.Parts != 2 || !e.Start.Equal(invented.Recording.Start) || e.End != rows[499].Time+rows[499].Duration/2 {
		t.Errorf("earlier: %+v", e)
	}
	if err := p.Close(); err != nil {
		t.Fatal(err)
	}
	if all, _ := os.ReadDir(dir); len(all) != 3 || all[2].Name() != "poses-000003.parquet" {
		t.Errorf("%v: want three parts alone", all)
	}
	r, err := Open[Pose](filepath.Join(dir, "poses.parquet"))
	compare(t, r, err, slices.Concat(rows[:500], rows[:10]))
}

// A part whose name another run has taken meanwhile is not replaced.
func TestPartsReplaceNothing(t *testing.T) {
	dir := t.TempDir()
	p := inParts(t, dir, 1, inventedPoses(150))
	if err := os.WriteFile(filepath.Join(dir, "poses-000003.parquet"), []byte("another's"), 0o644); err != nil {
		t.Fatal(err)
	}
	if err := p.Turn(2); err == nil || !strings.Contains(err.Error(), "poses-000003.parquet exists") {
		t.Errorf("a part over another's: %v", err)
	}
	if have := visible(t, dir); len(have) != 3 {
		t.Errorf("%v", have)
	}
}

func TestPartsRefuseOtherDirectories(t *testing.T) {
	parts := t.TempDir()
	if err := inParts(t, parts, 1, inventedPoses(10)).Close(); err != nil {
		t.Fatal(err)
	}
	notes := t.TempDir()
	if err := os.WriteFile(filepath.Join(notes, "notes.txt"), nil, 0o644); err != nil {
		t.Fatal(err)
	}
	other := invented
	other.Rig = "name: another # invented\n"
	for want, c := range map[string]struct {
		dir   string
		m     Metadata
		force bool
	}{
		"of a whole recording": {commit(t, nil, nil), invented, true},
		"another rig file":     {parts, other, true},
		"no part of a stream":  {notes, invented, false},
	} {
		if _, err := Append(c.dir, c.force, 1, c.m, PosesName); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%v: want %q", err, want)
		}
	}
	if _, err := Append(notes, true, 1, invented, PosesName); err != nil {
		t.Error(err)
	}
}

// The memory of a part serves the next, whatever its rows: turning parts allocates for
// names and metadata, rows do not.
func TestRowsOfPartsDoNotAllocate(t *testing.T) {
	p, err := Append(t.TempDir(), false, 10, invented, PosesName)
	if err != nil {
		t.Fatal(err)
	}
	defer p.Abort()
	rows, part := inventedPoses(2000), 0
	allocations := func(n int) float64 {
		write := func() {
			if err := p.Turn(float64(10 * part)); err != nil {
				t.Fatal(err)
			}
			part++
			if err := p.Poses.Write(rows[:n]...); err != nil {
				t.Fatal(err)
			}
		}
		write()
		return testing.AllocsPerRun(5, write)
	}
	many, few := allocations(2000), allocations(1000)
	// As of the rows of a recording: a buffer may grow now and then.
	if perRow := (many - few) / 1000; perRow > 0.01 {
		t.Errorf("%.3f allocations a row: %g for parts of 1000, %g for 2000", perRow, few, many)
	}
}
