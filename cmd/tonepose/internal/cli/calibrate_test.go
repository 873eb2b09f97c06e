package cli

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strconv"
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
	t.Parallel()
	dir := t.TempDir()
	drawn, built := rigFile("pipe-bench.rig.yaml"), filepath.Join(dir, "built.rig.yaml")
	recording, reference := recordingFile("pipe-bench-calibration.sigmf-meta"), recordingFile("pipe-bench-calibration.reference.csv")
	sum := calibrated(t, recording, "--rig", drawn, "--intervals", reference, "--out", built, "--cross-validate", "4",
		"--suggest", reference, "--figures", "svg,pdf")
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
		for ending, begins := range map[string]string{".svg": "<?xml", ".pdf": "%PDF"} {
			if text, err := os.ReadFile(filepath.Join(dir, "built-"+name+ending)); err != nil || !strings.HasPrefix(string(text), begins) {
				t.Errorf("built-%s%s: %.5q, %v", name, ending, text, err)
			}
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
	tonepose(t, append([]string{"solve", "--out", out, "--figures", "none", "--quiet"}, append(validation, built)...)...)
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

// What an engineer reads: moves as a drawing has them, beside the tolerance that the rig
// states, stations by name, and what was gained on stations held out.
func TestCalibrateTellsMovesBesideTolerances(t *testing.T) {
	t.Parallel()
	text, err := os.ReadFile(planRigs + "pipe-bench.rig.yaml")
	if err != nil {
		t.Fatal(err)
	}
	const reference = "  reference: {channel: drive, transimpedance_ohm: 0.5}\n"
	drawn, built := filepath.Join(t.TempDir(), "drawn.rig.yaml"), filepath.Join(t.TempDir(), "built.rig.yaml")
	stated := strings.ReplaceAll(string(text), reference, reference+"  tolerance: {center_m: 2e-3, axis_rad: 0.02, strength: 0.02}\n")
	if err := os.WriteFile(drawn, []byte(stated), 0o644); err != nil {
		t.Fatal(err)
	}
	var stdout, stderr bytes.Buffer
	args := []string{"calibrate", recordingFile("pipe-bench-calibration.sigmf-meta"), "--rig", drawn, "--intervals", recordingFile("pipe-bench-calibration.reference.csv"), "--out", built}
	if code := Run(t.Context(), args, Streams{Out: &stdout, Err: &stderr}); code != 0 {
		t.Fatalf("exit code %d, %s", code, &stderr)
	}
	page := stdout.String()
	wanted := map[string][2]string{"place": {"mm", "2.0"}, "tilt": {"mrad", "20"}, "strength": {"%", "2.0"}} // of a drawing
	rows := 0
	for line := range strings.Lines(page) {
		f := strings.Fields(line)
		if len(f) < 7 || f[0][0] != 'e' || wanted[f[1]] == [2]string{} {
			continue
		}
		f = f[len(f)-5:]
		moved, err1 := strconv.ParseFloat(f[0], 64)
		times, err2 := strconv.ParseFloat(f[4], 64)
		tolerance, err3 := strconv.ParseFloat(f[3], 64)
		rows++
		// Both are printed to two digits and more.
		if w := wanted[strings.Fields(line)[1]]; errors.Join(err1, err2, err3) != nil || f[2] != w[0] || f[3] != w[1] || math.Abs(math.Abs(moved)/tolerance-times) > 0.06*times+1e-3 {
			t.Errorf("row %q", line)
		}
	}
	if rows != 8*6 {
		t.Errorf("%d rows of emitters", rows)
	}
	for _, want := range []string{"held-out stations, 5 folds", "position 4.", " mm RMS with the bench as drawn", "leverage:", "next, on stations that had no part in this: tonepose solve"} { // an error of 5 mm: testdata/README.md
		if !strings.Contains(page, want) {
			t.Errorf("no %q in\n%s", want, page)
		}
	}
	if strings.Contains(page, "line ") {
		t.Errorf("stations by their lines:\n%s", page)
	}
}

// references writes the reference of the recording for calibration with rows changed:
// fields by line, from 2 on.
func references(t *testing.T, change func(line int, fields []string)) string {
	t.Helper()
	text, err := os.ReadFile(recordingFile("pipe-bench-calibration.reference.csv"))
	if err != nil {
		t.Fatal(err)
	}
	lines := strings.Split(strings.TrimSpace(string(text)), "\n")
	for i, line := range lines {
		if fields := strings.Split(line, ","); i > 0 {
			change(i+1, fields)
			lines[i] = strings.Join(fields, ",")
		}
	}
	name := filepath.Join(t.TempDir(), "reference.csv")
	if err := os.WriteFile(name, []byte(strings.Join(lines, "\n")), 0o644); err != nil {
		t.Fatal(err)
	}
	return name
}

const columnX = 4 // of x_m

// shifted has station 20 centimetres off.
func shifted(t *testing.T) string {
	return references(t, func(line int, fields []string) {
		if line == 21 {
			fields[columnX] = "0.05"
		}
	})
}

// A reference that is wrong at one station, and a robust fit that names it and
// is not moved by it.
func TestCalibrationNamesAnOutlier(t *testing.T) {
	t.Parallel()
	built := filepath.Join(t.TempDir(), "built.rig.yaml")
	sum := calibrated(t, recordingFile("pipe-bench-calibration.sigmf-meta"), "--rig", rigFile("pipe-bench.rig.yaml"), "--intervals", shifted(t), "--out", built, "--robust", "tukey")
	for _, st := range sum.Stations {
		if st.Outlier != (st.Line == 21) {
			t.Errorf("line %d: outlier %v", st.Line, st.Outlier)
		}
	}
	validated(t, built)
}

// validated holds poses on the built rig to what a sound method reaches, 0.029 mm
// (testdata/README.md), and to what they say of themselves.
func validated(t *testing.T, built string) {
	t.Helper()
	truth := "pipe-bench-calibration-validation.truth.csv"
	after, _ := assessed(t, truth, recordingFile("pipe-bench-calibration-validation.sigmf-meta"), "--intervals", recordingFile(truth), "--rig", built)
	if after.PositionRMS > 0.035e-3 || after.Coverage95 < 0.9 || after.PredictedPosition > 2*after.PositionRMS {
		t.Errorf("validation: %.4f mm, stated %.4f mm, %.2f inside their 95 %% regions", after.PositionRMS*1e3, after.PredictedPosition*1e3, after.Coverage95)
	}
}

// Inputs that contradict each other: tolerances ten times too small, and a reference
// that is wrong at one station. Both are said on standard error, neither counts.
func TestCalibrationSaysWhatContradicts(t *testing.T) {
	t.Parallel()
	text, err := os.ReadFile(rigFile("pipe-bench.rig.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	const reference = "  reference: {channel: drive, transimpedance_ohm: 0.5}\n"
	// The bench was built to 1.5 mm, 1.5° and 2 %.
	tight := strings.ReplaceAll(string(text), reference, reference+"  tolerance: {center_m: 1.5e-4, axis_rad: 2.6e-3, strength: 2e-3}\n")
	drawn, built := filepath.Join(t.TempDir(), "tight.rig.yaml"), filepath.Join(t.TempDir(), "built.rig.yaml")
	if err := os.WriteFile(drawn, []byte(tight), 0o644); err != nil {
		t.Fatal(err)
	}
	var stdout, stderr bytes.Buffer
	args := []string{"calibrate", recordingFile("pipe-bench-calibration.sigmf-meta"), "--rig", drawn, "--intervals", shifted(t), "--out", built, "--json"}
	if code := Run(t.Context(), args, Streams{Out: &stdout, Err: &stderr}); code != 0 {
		t.Fatalf("exit code %d, %s", code, &stderr)
	}
	for _, want := range []string{"station 20, sensor probe contradicts the other stations", "left out, 59 stations are left",
		"contradict the tolerances of emitter-place", "contradict the tolerances of emitter-axis", "contradict the tolerances of emitter-strength"} {
		if !strings.Contains(stderr.String(), want) {
			t.Errorf("no %q in %s", want, &stderr)
		}
	}
	if n := strings.Count(stderr.String(), "warning"); n != 4 {
		t.Errorf("%d warnings, want 4: %s", n, &stderr)
	}
	var sum calibrate.Summary
	if err := json.Unmarshal(stdout.Bytes(), &sum); err != nil {
		t.Fatal(err)
	}
	if len(sum.Contradictions) != 4 || len(sum.LeftOut) != 1 || sum.LeftOut[0].Line != 21 || len(sum.Stations) != 59 || sum.Stated.Chi2 < 5*float64(sum.Stated.DOF) {
		t.Errorf("%d contradictions, left out %v, %d stations, as stated %+v", len(sum.Contradictions), sum.LeftOut, len(sum.Stations), sum.Stated)
	}
	for _, in := range sum.Inputs {
		// Eight numbers give their size to a quarter, one sigma.
		if strings.HasPrefix(in.Name, "tolerances of emitter") && (in.Factor < 4 || in.Factor > 20) {
			t.Errorf("%s: counted as %.3g times larger, are 10", in.Name, in.Factor)
		}
	}
	validated(t, built)
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
	millimetres := references(t, func(_ int, fields []string) {
		for k := columnX; k < columnX+3; k++ {
			v, err := strconv.ParseFloat(fields[k], 64)
			if err != nil {
				t.Fatal(err)
			}
			fields[k] = fmt.Sprint(1000 * v)
		}
	})
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
		{"as are 60 of 60 stations: they look like millimetres", []string{recording, "--rig", drawn, "--out", out, "--intervals", millimetres}},
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
