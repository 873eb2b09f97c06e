package tables

import (
	"math/rand/v2"
	"path/filepath"
	"testing"
)

// Rows found by number and by time are those that a reader passes on its way.
func TestFinderFindsWhatReaderReads(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "run")
	set, err := Create(dir, false, Metadata{}, CouplingsName)
	if err != nil {
		t.Fatal(err)
	}
	const rows, every = 300000, 24 // more than one group of rows
	for i := range rows {
		if err := set.Couplings.Write(Coupling{Time: float64(i/every) * 0.01, Duration: 0.01, Emitter: "e", Sensor: "s", Channel: "c", Value: float64(i)}); err != nil {
			t.Fatal(err)
		}
	}
	if err := set.Close(); err != nil {
		t.Fatal(err)
	}
	f, err := Find[Coupling](filepath.Join(dir, CouplingsName+".parquet"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if f.Rows() != rows {
		t.Fatalf("%d rows, want %d", f.Rows(), rows)
	}
	random := rand.New(rand.NewPCG(1, 2))
	for range 50 {
		i := random.Int64N(rows)
		got := make([]Coupling, 1+random.IntN(600))
		n, err := f.Read(i, got)
		if err != nil || n != min(len(got), int(rows-i)) {
			t.Fatalf("%d rows from %d: %v", n, i, err)
		}
		for k := range n {
			if got[k].Value != float64(i+int64(k)) {
				t.Fatalf("row %d from %d is row %g", k, i, got[k].Value)
			}
		}
	}
	for _, frame := range []int64{0, 1, 7777, rows/every - 1} {
		row, err := f.Search(float64(frame)*0.01 - 1e-6)
		if err != nil || row != frame*every {
			t.Errorf("frame %d begins at row %d, want %d: %v", frame, row, frame*every, err)
		}
		if row, ok, err := f.At(float64(frame) * 0.01); err != nil || !ok || row != frame*every {
			t.Errorf("frame %d is at row %d (%v), want %d: %v", frame, row, ok, frame*every, err)
		}
		if row, ok, err := f.At(float64(frame)*0.01 + 0.003); err != nil || ok {
			t.Errorf("after frame %d is row %d: %v", frame, row, err)
		}
	}
	if row, err := f.Search(1e9); err != nil || row != rows {
		t.Errorf("after the end: row %d, %v", row, err)
	}
}

// A search reads little: some pages of the table, not the rows before.
func BenchmarkSearch(b *testing.B) {
	dir := filepath.Join(b.TempDir(), "run")
	set, err := Create(dir, false, Metadata{}, PosesName)
	if err != nil {
		b.Fatal(err)
	}
	c := new(Covariance)
	for i := range 200000 {
		if err := set.Poses.Write(Pose{Time: float64(i) * 0.01, Duration: 0.01, Sensor: "s", Covariance: c}); err != nil {
			b.Fatal(err)
		}
	}
	if err := set.Close(); err != nil {
		b.Fatal(err)
	}
	f, err := Find[Pose](filepath.Join(dir, PosesName+".parquet"))
	if err != nil {
		b.Fatal(err)
	}
	defer f.Close()
	var one [1]Pose
	i := int64(0)
	for b.Loop() {
		i = (i + 77777) % 200000
		if _, err := f.Read(i, one[:]); err != nil {
			b.Fatal(err)
		}
	}
}
