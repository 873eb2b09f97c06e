package solve

import (
	"encoding/binary"
	"encoding/json"
	"os"
	"path/filepath"
	"testing"

	"tonepose/cmd/tonepose/internal/measure"
	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/cmd/tonepose/internal/verdict"

	"gonum.org/v1/gonum/spatial/r3"
)

func testdata(name ...string) string {
	return filepath.Join(append([]string{"..", "..", "..", "..", "testdata"}, name...)...)
}

// A pickup whose channel does not move takes no part: sixteen of twenty-four
// couplings are left, and fix the poses as well as they say.
func TestAStuckChannelIsLeftOut(t *testing.T) {
	samples, err := os.ReadFile(testdata("recordings", "pipe-bench-stations.sigmf-data"))
	if err != nil {
		t.Fatal(err)
	}
	const channels, stuck = 4, 1 // rx2
	for i := stuck; i < len(samples)/2; i += channels {
		binary.LittleEndian.PutUint16(samples[2*i:], 0)
	}
	text, err := os.ReadFile(testdata("recordings", "pipe-bench-stations.sigmf-meta"))
	if err != nil {
		t.Fatal(err)
	}
	var meta map[string]any
	if err := json.Unmarshal(text, &meta); err != nil {
		t.Fatal(err)
	}
	delete(meta["global"].(map[string]any), "core:sha512")
	if text, err = json.Marshal(meta); err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	for name, content := range map[string][]byte{"dead.sigmf-data": samples, "dead.sigmf-meta": text} {
		if err := os.WriteFile(filepath.Join(dir, name), content, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	truth := testdata("recordings", "pipe-bench-stations.truth.csv")
	j := measure.Job{Out: filepath.Join(dir, "out"), Intervals: truth}
	j.Rig, j.Recording = testdata("rigs", "pipe-bench.rig.yaml"), filepath.Join(dir, "dead.sigmf-meta")
	res, err := Run(t.Context(), Options{Job: j})
	if err != nil {
		t.Fatal(err)
	}
	if res.Poses != 27 || res.Flags.Flagged != 27 {
		t.Fatalf("%d poses, %d flagged: want all 27 of both", res.Poses, res.Flags.Flagged)
	}
	known, err := tables.ReadTruth(truth, []string{"probe"})
	if err != nil {
		t.Fatal(err)
	}
	rows, err := tables.Open[tables.Pose](filepath.Join(j.Out, tables.PosesName+".parquet"))
	if err != nil {
		t.Fatal(err)
	}
	defer rows.Close()
	i, square := 0, 0.0
	for row, err := range rows.All() {
		if err != nil {
			t.Fatal(err)
		}
		if row.Flags != verdict.Stuck {
			t.Errorf("station %d is flagged %q", i, row.Flags)
		}
		e := r3.Sub(row.Estimate.Position, known[i].Pose.Position)
		for axis, d := range [3]float64{e.X, e.Y, e.Z} {
			square += d * d / (row.Covariance.At(axis, axis) * 81)
		}
		i++
	}
	// A mean of 81 squares of Gaussian errors over their variance, three of each
	// station correlated: 1 within four deviations √(2/27).
	if square < 0.1 || square > 2.1 {
		t.Errorf("squared error over variance is %.2f, want 1 ± 1.1", square)
	}
}
