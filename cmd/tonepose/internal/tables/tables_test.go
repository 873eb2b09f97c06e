package tables

import (
	"io"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
	"tonepose/cmd/tonepose/internal/verdict"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"github.com/parquet-go/parquet-go"
	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels/rigid"
)

var invented = Metadata{
	Tool: "0.1.0",
	Rig:  "name: pipe-bench # invented\n",
	Recording: Recording{Name: "moving.sigmf-meta", Size: 1234, SHA256: strings.Repeat("ab", 32),
		Start: time.Date(2026, 3, 4, 5, 6, 7, 890e6, time.UTC)},
	Options: map[string]string{"window": "10ms", "clock": "common"},
}

func inventedPoses(n int) []Pose {
	var cov Covariance
	for i := range cov {
		cov[i] = float64(i+1) * 1e-10
	}
	poses := make([]Pose, n)
	for i := range poses {
		poses[i] = Pose{Time: 0.01 * float64(i), Duration: 0.01, Sensor: "probe", Chi2: 18.5, DOF: 18, Iterations: 4, Status: "converged",
			Estimate:   &rigid.Pose{Position: r3.Vec{X: 0.01, Y: 0, Z: 0.1 + float64(i)}, Rotation: quat.Number{Real: 1}},
			Tip:        &r3.Vec{X: 0.02, Y: math.Copysign(0, -1), Z: 0.3},
			Covariance: &cov}
		if i%2 == 1 {
			poses[i].Live = &Live{Latency: 1e-3 * float64(i), Skipped: i / 2}
		}
		switch i % 3 {
		case 1:
			poses[i].Tip, poses[i].Covariance, poses[i].Flags = nil, nil, verdict.Unobservable|verdict.Motion
		case 2:
			poses[i] = Pose{Time: 0.01 * float64(i), Duration: 0.01, Sensor: "probe", Chi2: math.NaN(), Status: "failed", Flags: verdict.NotConverged}
		}
	}
	return poses
}

// column order of the design, poses' covariance written out
const (
	phasorColumns   = "time_s duration_s channel tone tone_hz in_phase_v quadrature_v sigma_v flags"
	couplingColumns = "time_s duration_s emitter sensor channel coupling_h quadrature_h sigma_h flags"
	poseColumns     = "time_s duration_s sensor x_m y_m z_m qw qx qy qz tip_x_m tip_y_m tip_z_m " +
		"sigma_x_m sigma_y_m sigma_z_m sigma_rx_rad sigma_ry_rad sigma_rz_rad " +
		"cov_x_x cov_x_y cov_x_z cov_x_rx cov_x_ry cov_x_rz cov_y_y cov_y_z cov_y_rx cov_y_ry cov_y_rz " +
		"cov_z_z cov_z_rx cov_z_ry cov_z_rz cov_rx_rx cov_rx_ry cov_rx_rz cov_ry_ry cov_ry_rz cov_rz_rz " +
		"chi2 dof iterations status flags latency_s skipped_windows"
)

func TestColumns(t *testing.T) {
	for want, schema := range map[string]*parquet.Schema{
		phasorColumns:   parquet.SchemaOf(phasorRow{}),
		couplingColumns: parquet.SchemaOf(couplingRow{}),
		poseColumns:     parquet.SchemaOf(poseRow{}),
	} {
		var have []string
		for _, c := range schema.Columns() {
			have = append(have, c[0])
		}
		if diff := cmp.Diff(strings.Fields(want), have); diff != "" {
			t.Error(diff)
		}
	}
}

func TestRoundTrip(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "new", "out")
	s, err := Create(dir, false, invented)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Abort()
	// More rows than one batch and than one group of poses.
	phasors := make([]Phasor, 3*batchRows+1)
	for i := range phasors {
		phasors[i] = Phasor{float64(i), 0.01, "rx1", "e1", 5125.1, 1 / float64(i+1), -0.5, 1e-9, verdict.Flags(i % (1 << 13))}
	}
	couplings := []Coupling{
		{1, 0.01, "e1", "probe", "rx1", 1e-9, 0, 1e-13, 0},
		{1, 0.01, "e2", "probe", "rx1", math.NaN(), math.NaN(), math.NaN(), verdict.ReferenceLost},
	}
	poses := inventedPoses(int(wide.rows) + 10)
	for _, err := range []error{s.Phasors.Write(phasors...), s.Couplings.Write(couplings...), s.Poses.Write(poses...)} {
		if err != nil {
			t.Fatal(err)
		}
	}
	if names := visible(t, dir); names != nil {
		t.Errorf("before Close the directory shows %v", names)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}

	rp, err := Open[Phasor](filepath.Join(dir, "phasors.parquet"))
	compare(t, rp, err, phasors)
	rc, err := Open[Coupling](filepath.Join(dir, "couplings.parquet"))
	compare(t, rc, err, couplings)
	rq, err := Open[Pose](filepath.Join(dir, "poses.parquet"))
	compare(t, rq, err, poses)
}

func compare[T any](t *testing.T, r *Reader[T], err error, want []T) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	if diff := cmp.Diff(invented, r.Metadata); diff != "" {
		t.Error(diff)
	}
	var have []T
	for row, err := range r.All() {
		if err != nil {
			t.Fatal(err)
		}
		have = append(have, row)
	}
	if diff := cmp.Diff(want, have, cmpopts.EquateNaNs()); diff != "" {
		t.Errorf("%T: %.2000s", want, diff)
	}
	if rows, err := r.batch(); len(rows) != 0 || err != io.EOF {
		t.Errorf("after the last row: %v, %v", rows, err)
	}
}

func visible(t *testing.T, dir string) (names []string) {
	t.Helper()
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		if !strings.HasPrefix(e.Name(), ".") {
			names = append(names, e.Name())
		}
	}
	return names
}

func TestNullIsNotZero(t *testing.T) {
	dir := t.TempDir()
	s, err := Create(dir, false, Metadata{}, PosesName)
	if err != nil {
		t.Fatal(err)
	}
	if s.Phasors != nil || s.Couplings != nil {
		t.Error("tables that were not named have writers")
	}
	s.Poses.Write(inventedPoses(3)...)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	rows, err := parquet.ReadFile[poseRow](filepath.Join(dir, "poses.parquet"))
	if err != nil {
		t.Fatal(err)
	}
	if rows[0].Y == nil || *rows[0].Y != 0 || rows[0].TipY == nil || !math.Signbit(*rows[0].TipY) {
		t.Error("a zero was stored as NULL, or lost its sign")
	}
	if rows[1].X == nil || rows[1].TipX != nil || rows[1].CovXX != nil || rows[1].SigmaRZ != nil {
		t.Error("row without tip and covariance: not as written")
	}
	if rows[2].X != nil || rows[2].QW != nil || rows[2].Chi2 != nil {
		t.Error("unsolved row: pose or chi2 is not NULL")
	}
}

func TestCovarianceIndex(t *testing.T) {
	var c Covariance
	k := 0
	for i := range 6 {
		for j := i; j < 6; j++ {
			c.Set(j, i, float64(k+1))
			if c[k] != float64(k+1) || c.At(i, j) != c.At(j, i) {
				t.Fatalf("element %d,%d is not at %d", i, j, k)
			}
			k++
		}
	}
	c.Set(2, 2, 4)
	c.Set(3, 3, -1e-30)
	if c.Sigma(2) != 2 || c.Sigma(3) != 0 {
		t.Errorf("sigma %g and %g, want 2 and 0", c.Sigma(2), c.Sigma(3))
	}
}

func TestUnits(t *testing.T) {
	for column, want := range map[string]string{
		"time_s": "s", "tone_hz": "Hz", "sigma_v": "V", "coupling_h": "H", "tip_x_m": "m", "sigma_rx_rad": "rad",
		"cov_x_y": "m²", "cov_x_rz": "m·rad", "cov_rx_rz": "rad²", "qw": "1", "dof": "1", "flags": "", "status": "",
	} {
		if have := unitOf(column); have != want {
			t.Errorf("%s: %q, want %q", column, have, want)
		}
	}
}

func TestWrongTable(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "phasors.parquet")
	s, err := Create(dir, false, Metadata{}, PhasorsName)
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	foreign := filepath.Join(dir, "foreign.parquet")
	if err := parquet.WriteFile(foreign, []struct{ A int64 }{{1}}); err != nil {
		t.Fatal(err)
	}
	whole, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	short := filepath.Join(dir, "short.parquet")
	if err := os.WriteFile(short, whole[:len(whole)-5], 0o644); err != nil {
		t.Fatal(err)
	}
	for path, want := range map[string]string{
		path:                           "phasors.parquet: column sensor, x_m, y_m",
		foreign:                        "foreign.parquet: no tonepose.schema_version",
		short:                          "short.parquet: not a Parquet file",
		dir:                            "not a file",
		filepath.Join(dir, "no.there"): "no.there",
	} {
		if r, err := Open[Pose](path); err == nil {
			r.Close()
			t.Errorf("%s opened as poses", path)
		} else if !strings.Contains(err.Error(), want) {
			t.Errorf("error %q does not say %q", err, want)
		}
	}
}

func TestPhasorMustBeFinite(t *testing.T) {
	for _, bad := range []float64{math.NaN(), math.Inf(1), math.Inf(-1)} {
		w := newWriter(io.Discard, phasors)
		err := w.Write(Phasor{Channel: "rx1", Tone: "e1", InPhase: bad})
		if err == nil || !strings.Contains(err.Error(), "rx1") {
			t.Errorf("in_phase %g: %v", bad, err)
		}
		if again := w.Write(Phasor{}); again != err {
			t.Errorf("after a failure: %v, want %v", again, err)
		}
	}
}
