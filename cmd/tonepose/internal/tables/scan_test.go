package tables

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"path/filepath"
	"slices"
	"strconv"
	"testing"

	"github.com/parquet-go/parquet-go"

	"tonepose/cmd/tonepose/internal/verdict"
)

// Columns read block by block hold what the same table says row by row: of several groups
// of rows, of parts, and of every earlier version.
func TestScanReadsWhatRowsHold(t *testing.T) {
	parts := inParts(t, filepath.Join(t.TempDir(), "parts"), 2.5, inventedPoses(1050))
	if err := parts.Close(); err != nil {
		t.Fatal(err)
	}
	dirs := []string{commit(t, nil, inventedPoses(int(wide.rows)+999)), parts.dir}
	for _, dir := range folders(t) {
		dirs = append(dirs, filepath.Join(dir, "solve"))
	}
	for _, dir := range dirs {
		sameColumns[Pose, poseRow](t, filepath.Join(dir, "poses.parquet"))
		sameColumns[Integrity, integrityRow](t, filepath.Join(dir, "integrity.parquet"))
		sameColumns[Phasor, phasorRow](t, filepath.Join(dir, "phasors.parquet"))
		sameColumns[Coupling, couplingRow](t, filepath.Join(dir, "couplings.parquet"))
	}
}

// sameColumns compares all columns of a table, which need not be there.
func sameColumns[T Row, S any](t *testing.T, name string) {
	t.Helper()
	var numbers, words []string
	for _, c := range parquet.SchemaOf(new(S)).Fields() {
		if c.Type().Kind() == parquet.ByteArray {
			words = append(words, c.Name())
		} else {
			numbers = append(numbers, c.Name())
		}
	}
	s, err := OpenScan[T](name, numbers, words)
	if errors.Is(err, fs.ErrNotExist) {
		return
	}
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	var text bytes.Buffer
	if err := dump(t, name).WriteCSV(&text); err != nil {
		t.Fatal(err)
	}
	want, err := csv.NewReader(&text).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	head, want := want[0], want[1:]
	field := func(row int, column string) string {
		if at := slices.Index(head, column); at >= 0 {
			return want[row][at]
		}
		return "" // an earlier version did not write it
	}
	var b Block
	row := 0
	for i := range s.Blocks() {
		if err := s.Read(i, &b); err != nil {
			t.Fatal(err)
		}
		times := b.Numbers[slices.Index(numbers, timeColumn)]
		if first, last, rows := s.Span(i); first != slices.Min(times) || last != slices.Max(times) || rows != len(times) {
			t.Errorf("%s, block %d: %d rows from %g to %g s, want %d from %g to %g s", name, i, rows, first, last, len(times), slices.Min(times), slices.Max(times))
		}
		for k := range b.Rows {
			for c, column := range numbers {
				have := ""
				if v := b.Numbers[c][k]; !math.IsNaN(v) && !math.IsInf(v, 0) {
					have = strconv.FormatFloat(v, 'g', -1, 64)
				}
				if want := field(row, column); have != want {
					t.Fatalf("%s, row %d: %s is %q, row by row %q", name, row, column, have, want)
				}
			}
			for c, column := range words {
				have := ""
				if at := b.Words[c].At[k]; at >= 0 {
					have = b.Words[c].All[at]
				}
				if f, err := verdict.ParseFlags(have); column == "flags" && err == nil {
					have = f.String()
				}
				if want := field(row, column); have != want {
					t.Fatalf("%s, row %d: %s is %q, row by row %q", name, row, column, have, want)
				}
			}
			row++
		}
	}
	if row != len(want) {
		t.Errorf("%s: %d rows, row by row %d", name, row, len(want))
	}
}

// Some columns of a quarter of a million poses.
func BenchmarkScan(b *testing.B) {
	dir := b.TempDir()
	set, err := Create(dir, true, Metadata{}, PosesName)
	if err != nil {
		b.Fatal(err)
	}
	const rows = 1 << 18
	if err := set.Poses.Write(inventedPoses(rows)...); err != nil {
		b.Fatal(err)
	}
	if err := set.Close(); err != nil {
		b.Fatal(err)
	}
	name := filepath.Join(dir, "poses.parquet")
	for _, columns := range [][]string{{"time_s"}, {"time_s", "x_m", "y_m", "z_m", "cov_x_x", "cov_y_y", "cov_z_z", "chi2"}} {
		b.Run(fmt.Sprintf("columns=%d", len(columns)), func(b *testing.B) {
			s, err := OpenScan[Pose](name, columns, []string{"sensor", "flags"})
			if err != nil {
				b.Fatal(err)
			}
			defer s.Close()
			var block Block
			b.ReportAllocs()
			for b.Loop() {
				for i := range s.Blocks() {
					if err := s.Read(i, &block); err != nil {
						b.Fatal(err)
					}
				}
			}
			b.ReportMetric(rows*float64(b.N)/b.Elapsed().Seconds(), "rows/s")
		})
	}
}
