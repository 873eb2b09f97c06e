package tables

import (
	"errors"
	"io/fs"
	"math"
	"path/filepath"
	"strings"
	"testing"
	"tonepose/cmd/tonepose/internal/verdict"

	"gonum.org/v1/gonum/spatial/r3"
)

// folders are those that every schema left; see testdata/schema/README.md.
func folders(t *testing.T) []string {
	t.Helper()
	list, err := filepath.Glob(filepath.Join("testdata", "schema", "*", "solve"))
	if err != nil || len(list) < 4 {
		t.Fatalf("%v, %v", list, err)
	}
	for i := range list {
		list[i] = filepath.Dir(list[i])
	}
	return list
}

// rowsOf reads a whole table; none if there is no such file.
func rowsOf[T Row](t *testing.T, name string) (list []T) {
	t.Helper()
	r, err := Open[T](name)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	if r.Metadata.Tool == "" || r.Metadata.Recording.Size == 0 || r.Metadata.Options["clock"] != "common" {
		t.Errorf("%s: %+v", name, r.Metadata)
	}
	for row, err := range r.All() {
		if err != nil {
			t.Fatal(err)
		}
		list = append(list, row)
	}
	return list
}

// Tables of every schema are read as today's: numbers, flags under their new
// names, and no number where a column did not exist.
func TestEverySchemaIsRead(t *testing.T) {
	// Of testdata/recordings/pipe-bench-stations.truth.csv.
	places := []r3.Vec{{X: -0.06, Y: -0.06, Z: 0.1}, {X: 0.06, Y: -0.06, Z: 0.1}}
	for _, dir := range folders(t) {
		solve := filepath.Join(dir, "solve")
		if n := len(rowsOf[Phasor](t, filepath.Join(solve, "phasors.parquet"))); n != 2*8*4 {
			t.Errorf("%s: %d phasors: want 2 stations of 8 tones on 4 channels", dir, n)
		}
		if n := len(rowsOf[Coupling](t, filepath.Join(solve, "couplings.parquet"))); n != 2*8*3 {
			t.Errorf("%s: %d couplings: want 2 stations of 8 emitters and 3 coils", dir, n)
		}
		poses := rowsOf[Pose](t, filepath.Join(solve, "poses.parquet"))
		if len(poses) != 2 {
			t.Fatalf("%s: %d poses", dir, len(poses))
		}
		for i, p := range poses {
			off := r3.Sub(p.Estimate.Position, places[i])
			for axis, e := range []float64{off.X, off.Y, off.Z} {
				// Five sigma: once in a million components of a right covariance.
				if s := p.Covariance.Sigma(axis); !(math.Abs(e) < 5*s) {
					t.Errorf("%s: station %d is off by %g m along axis %d, sigma %g", dir, i, e, axis, s)
				}
			}
			if want := verdict.Flags(i) * verdict.OutsideVolume; p.Flags != want {
				t.Errorf("%s: station %d is flagged %q, want %q", dir, i, p.Flags, want)
			}
		}
		judged := rowsOf[Integrity](t, filepath.Join(solve, "integrity.parquet"))
		if len(judged) != 2 && !strings.HasSuffix(dir, "1-first") {
			t.Errorf("%s: %d judged poses", dir, len(judged))
		}
		for i, v := range judged {
			if v.Chi2 != poses[i].Chi2 || v.Flags != poses[i].Flags || v.RunnerUp != nil || !math.IsNaN(v.RunnerUpRatio) || !math.IsNaN(v.Low[0]) {
				t.Errorf("%s: %+v", dir, v)
			}
		}
		pair := rowsOf[Demodulated](t, filepath.Join(dir, "demod", "demodulated.parquet"))
		if len(pair) != 2 {
			t.Errorf("%s: %d demodulated rows", dir, len(pair))
		}
		for _, d := range pair {
			// One microvolt rms, of testdata/recordings/one-microvolt.truth.json.
			if off := math.Abs(d.Amplitude - math.Sqrt2*1e-6); !(off < 5*d.Sigma) {
				t.Errorf("%s: an amplitude is off by %g V, sigma %g", dir, off, d.Sigma)
			}
		}
	}
}

// A table of another kind is not taken for an earlier one.
func TestEarlierSchemaOfAnotherKind(t *testing.T) {
	if _, err := Open[Integrity](filepath.Join("testdata", "schema", "1-first", "solve", "poses.parquet")); err == nil || !strings.Contains(err.Error(), "quadrature_chi2") {
		t.Errorf("poses opened as judged ones: %v", err)
	}
}
