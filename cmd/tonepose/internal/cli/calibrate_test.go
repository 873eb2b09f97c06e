package cli

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"tonepose/cmd/tonepose/internal/calibrate"
	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/cmd/tonepose/internal/tables"
)

// meanChi2 is the mean over a run's poses of chi-square over its degrees of
// freedom.
func meanChi2(t *testing.T, dir string) float64 {
	t.Helper()
	r, err := tables.Open[tables.Pose](filepath.Join(dir, "poses.parquet"))
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	sum, n := 0.0, 0
	for row, err := range r.All() {
		if err != nil {
			t.Fatal(err)
		}
		if row.DOF > 0 {
			sum += row.Chi2 / float64(row.DOF)
			n++
		}
	}
	return sum / float64(n)
}

func calibrated(t *testing.T, args ...string) *calibrate.Summary {
	t.Helper()
	var sum calibrate.Summary
	if err := json.Unmarshal([]byte(tonepose(t, append([]string{"calibrate", "--json"}, args...)...)), &sum); err != nil {
		t.Fatal(err)
	}
	return &sum
}

func TestCalibrationRecording(t *testing.T) {
	dir := t.TempDir()
	drawn, built := rigFile("pipe-bench.rig.yaml"), filepath.Join(dir, "built.rig.yaml")
	recording, reference := recordingFile("pipe-bench-calibration.sigmf-meta"), recordingFile("pipe-bench-calibration.reference.csv")
	sum := calibrated(t, recording, "--rig", drawn, "--intervals", reference, "--out", built, "--cross-validate", "4",
		"--suggest", reference, "--figures", filepath.Join(dir, "figures"))
	// Two sigmas of χ²/dof are 2·√(2/1384) = 0.08.
	if c := sum.Chi2 / float64(sum.DOF); c < 0.9 || c > 1.1 {
		t.Errorf("chi-square over degrees of freedom %.3f", c)
	}
	// Eight emitters of 3+2+1 numbers, three coils of 2+1.
	if len(sum.Parameters) != 8*6+3*3 || len(sum.Stations) != 60 {
		t.Errorf("%d parameters, %d stations", len(sum.Parameters), len(sum.Stations))
	}
	if len(sum.Gauges) != 1 || sum.Gauges[0].Words != "all strengths against all sensitivities" {
		t.Errorf("gauges %+v", sum.Gauges)
	}
	for _, st := range sum.Stations {
		if st.Outlier {
			t.Errorf("line %d is called an outlier", st.Line)
		}
	}
	// The reference's own 0.05 mm on each axis are part of this error.
	if cv := sum.Validation; cv.PositionRMS < 0.06e-3 || cv.PositionRMS > 0.13e-3 {
		t.Errorf("held-out stations: %.4f mm", cv.PositionRMS*1e3)
	}
	if s := sum.Suggestion; s == nil || !(s.After < s.Before) {
		t.Errorf("suggestion %+v", s)
	}
	for _, name := range []string{"residuals", "parameters", "correlations"} {
		if _, err := os.Stat(filepath.Join(dir, "figures", "calibration-"+name+".png")); err != nil {
			t.Error(err)
		}
	}

	truth := "pipe-bench-calibration-validation.truth.csv"
	validation := []string{recordingFile("pipe-bench-calibration-validation.sigmf-meta"), "--intervals", recordingFile(truth), "--rig"}
	before, _ := assessed(t, truth, append(validation, drawn)...)
	after, a := assessed(t, truth, append(validation, built)...)
	if before.PositionRMS < 3e-3 {
		t.Errorf("the drawn rig is right to %.3f mm: nothing to calibrate", before.PositionRMS*1e3)
	}
	// A sound method reaches 0.029 mm (testdata/README.md).
	if after.PositionRMS > 0.035e-3 || after.OrientationRMS > 0.02*degree {
		t.Errorf("validation: %.4f mm, %.4f°", after.PositionRMS*1e3, after.OrientationRMS/degree)
	}
	if after.NormalisedMean < 0.6 || after.NormalisedMean > 1.5 {
		t.Errorf("validation: mean squared error over prediction %.2f", after.NormalisedMean)
	}
	for i, r := range a.Rows {
		if r.Flags != 0 {
			t.Errorf("validation station at %.3f s is flagged %s", a.Samples[i].Time, r.Flags)
		}
	}
	out := filepath.Join(dir, "solved")
	tonepose(t, append([]string{"solve", "--out", out, "--quiet"}, append(validation, built)...)...)
	// 20·18 degrees of freedom scatter by √(2/360) = 0.075.
	if c := meanChi2(t, out); c < 0.9 || c > 1.1 {
		t.Errorf("validation: mean chi-square over degrees of freedom %.3f", c)
	}
	// Every command reads the new rig.
	tonepose(t, "simulate", built, "--path", "sweep", "--duration", "20ms", "--out", filepath.Join(dir, "again"))
	r, err := rig.Load(built, rig.Options{})
	if err != nil {
		t.Fatal(err)
	}
	array, err := r.Array()
	if err != nil || array.Covariance == nil || r.Calibration.ReferenceSHA256 == "" || r.Calibration.Date.IsZero() {
		t.Errorf("new rig: %+v, %v", r.Calibration, err)
	}
}

// A reference that is wrong at one station, and a robust fit that names it and
// is not moved by it.
func TestCalibrationNamesAnOutlier(t *testing.T) {
	dir := t.TempDir()
	text, err := os.ReadFile(recordingFile("pipe-bench-calibration.reference.csv"))
	if err != nil {
		t.Fatal(err)
	}
	lines := strings.Split(string(text), "\n")
	fields := strings.Split(lines[20], ",")
	fields[4] = "0.05" // x_m of station 20, centimetres off
	lines[20] = strings.Join(fields, ",")
	reference := filepath.Join(dir, "reference.csv")
	if err := os.WriteFile(reference, []byte(strings.Join(lines, "\n")), 0o644); err != nil {
		t.Fatal(err)
	}
	built := filepath.Join(dir, "built.rig.yaml")
	sum := calibrated(t, recordingFile("pipe-bench-calibration.sigmf-meta"), "--rig", rigFile("pipe-bench.rig.yaml"), "--intervals", reference, "--out", built, "--robust", "tukey")
	for _, st := range sum.Stations {
		if st.Outlier != (st.Line == 21) {
			t.Errorf("line %d: outlier %v", st.Line, st.Outlier)
		}
	}
	truth := "pipe-bench-calibration-validation.truth.csv"
	after, _ := assessed(t, truth, recordingFile("pipe-bench-calibration-validation.sigmf-meta"), "--intervals", recordingFile(truth), "--rig", built)
	if after.PositionRMS > 0.035e-3 {
		t.Errorf("validation: %.4f mm", after.PositionRMS*1e3)
	}
}

func TestCalibrateRefusesBadCalls(t *testing.T) {
	dir := t.TempDir()
	drawn := filepath.Join(dir, "bench.rig.yaml")
	text, err := os.ReadFile(rigFile("pipe-bench.rig.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	taken := filepath.Join(dir, "taken.rig.yaml")
	for _, name := range []string{drawn, taken} {
		if err := os.WriteFile(name, text, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	exact := filepath.Join(dir, "exact.csv")
	if err := os.WriteFile(exact, []byte("start_s,stop_s,x_m,y_m,z_m,qw,qx,qy,qz,sigma_position_m,sigma_rotation_rad\n0,0.05,0,0,0.2,1,0,0,0,0,0.001\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	recording, reference := recordingFile("pipe-bench-calibration.sigmf-meta"), recordingFile("pipe-bench-calibration.reference.csv")
	out := filepath.Join(dir, "new.rig.yaml")
	for _, c := range []struct {
		want string
		args []string
	}{
		{"--rig is missing", []string{recording, "--out", out, "--intervals", reference}},
		{"--intervals is missing", []string{recording, "--rig", drawn, "--out", out}},
		{"never overwritten", []string{recording, "--rig", drawn, "--out", drawn, "--force", "--intervals", reference}},
		{"add --force", []string{recording, "--rig", drawn, "--out", taken, "--intervals", reference}},
		{`free = "colour"`, []string{recording, "--rig", drawn, "--out", out, "--intervals", reference, "--free", "colour"}},
		{"--robust median: must be none, huber, cauchy or tukey", []string{recording, "--rig", drawn, "--out", out, "--intervals", reference, "--robust", "median"}},
		{"sigma_position_m = 0", []string{recording, "--rig", drawn, "--out", out, "--intervals", exact}},
		{"e9 is not an emitter", []string{recording, "--rig", drawn, "--out", out, "--intervals", reference, "--self", "--length", "e1,e9,0.3,1e-4"}},
		{"a gain and a delay can't hold a phase", []string{recording, "--rig", drawn, "--out", out, "--intervals", reference, "--free", "default,channel-phase"}},
	} {
		var stdout, stderr bytes.Buffer
		code := Run(t.Context(), append([]string{"calibrate"}, c.args...), Streams{Out: &stdout, Err: &stderr})
		if code != 2 || !strings.Contains(stderr.String(), c.want) {
			t.Errorf("%v: exit code %d, %q; want 2 and %q", c.args, code, &stderr, c.want)
		}
	}
	if _, err := os.Stat(out); err == nil {
		t.Error("a refused call left a rig")
	}
}
