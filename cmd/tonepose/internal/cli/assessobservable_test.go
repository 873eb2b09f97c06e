package cli

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/cmd/tonepose/internal/verdict"
)

// Five degrees of freedom: the error of the axis counts, the turn about it does
// not, and hand-eye says what it lacks.
func TestAssessOneCoil(t *testing.T) {
	truth, dir := recordingFile("micro-coil-below-noise.truth.csv"), filepath.Join(t.TempDir(), "out")
	tonepose(t, "solve", recordingFile("micro-coil-below-noise.wav"), "--rig", rigFile("micro-coil.rig.yaml"), "--intervals", truth, "--out", dir, "--figures", "none", "--quiet")
	sum := assessJSON(t, dir, "--truth", truth, "--budget")
	if sum.Sensors[0].Freedom != 5 || sum.Sensors[0].Budget == nil || sum.DOF != 20 {
		t.Errorf("%d degrees of freedom, budget %v, %d in all", sum.Sensors[0].Freedom, sum.Sensors[0].Budget, sum.DOF)
	}
	// Four places hold a frame; the blind axis stays out of its uncertainty.
	rigid := assessJSON(t, dir, "--truth", truth, "--register", "rigid", "--keep-outliers")
	if rigid.DOF != 20 || !(rigid.ChiSquare > 0) || rigid.Registration.DOF != 6 {
		t.Errorf("registered: chi-square %g of %d, fit of %d", rigid.ChiSquare, rigid.DOF, rigid.Registration.DOF)
	}
	var errs bytes.Buffer
	if code := Run(t.Context(), []string{"assess", dir, "--truth", truth, "--register", "hand-eye"}, Streams{Out: &bytes.Buffer{}, Err: &errs}); code != 2 || !strings.Contains(errs.String(), "--register rigid") {
		t.Errorf("exit code %d: %s", code, &errs)
	}
}

// withoutEmitters is a rig file of the test data from which the part between two
// lines is cut.
func withoutEmitters(t *testing.T, name, from, to string) string {
	t.Helper()
	text, err := os.ReadFile(rigFile(name))
	if err != nil {
		t.Fatal(err)
	}
	before, rest, found := strings.Cut(string(text), "- name: "+from)
	_, after, still := strings.Cut(rest, "\n"+to)
	if !found || !still {
		t.Fatalf("%s: no %s before %s", name, from, to)
	}
	return writeFile(t, name, before+to+after)
}

// Two sensors on one bench, one of them with no coupling to spare: each is reported by
// itself, and what is flagged does not hide what is not. Five unknowns and five couplings
// leave nothing that could tell a wrong pose, so all rows of the needle say so.
func TestAssessSeveralSensors(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	rig := withoutEmitters(t, "square-bench.rig.yaml", "board6", "sensors:") // five are left
	run, out := filepath.Join(dir, "run"), filepath.Join(dir, "out")
	tonepose(t, "simulate", rig, "--path", "sweep", "--duration", "400ms", "--out", run, "--seed", "3")
	tonepose(t, "solve", run+".sigmf-meta", "--rig", rig, "--window", "20ms", "--out", out, "--figures", "none", "--quiet")
	sum := assessJSON(t, out, "--truth", run+".truth.csv")
	if sum.N != 40 || sum.Flagged != 20 || sum.Unflagged == nil || sum.Unflagged.N != 20 || len(sum.Sensors) != 2 {
		t.Fatalf("%d poses, %d flagged, %d sensors", sum.N, sum.Flagged, len(sum.Sensors))
	}
	for _, row := range rowsOf[tables.Pose](t, out, tables.PosesName) {
		if want := map[string]verdict.Flags{"needle": verdict.NotJudged}[row.Sensor]; row.Flags != want || (row.DOF == 0) != (row.Sensor == "needle") {
			t.Errorf("%s at %g s: %d degrees of freedom, flags %q", row.Sensor, row.Time, row.DOF, row.Flags)
		}
	}
	for _, row := range rowsOf[tables.Integrity](t, out, tables.IntegrityName) {
		if (row.Finding == verdict.NothingToSpare) != (row.Sensor == "needle") {
			t.Errorf("%s at %g s: finding %q", row.Sensor, row.Time, row.Finding)
		}
	}
	probe, needle := sum.Sensors[0], sum.Sensors[1]
	if probe.Sensor != "probe" || probe.Freedom != 6 || probe.Report.PositionRMS != sum.Unflagged.PositionRMS {
		t.Errorf("%+v", probe)
	}
	if needle.Freedom != 5 || needle.Report.WithCovariance != 20 || needle.Report.PositionRMS < 10*probe.Report.PositionRMS {
		t.Errorf("needle: %d degrees of freedom, %d covariances, RMS %g m", needle.Freedom, needle.Report.WithCovariance, needle.Report.PositionRMS)
	}
	if only := assessJSON(t, out, "--truth", run+".truth.csv", "--sensor", "probe"); only.N != 20 || only.PositionRMS != probe.Report.PositionRMS {
		t.Errorf("the probe alone: %d poses, RMS %g m", only.N, only.PositionRMS)
	}
	text := tonepose(t, "assess", out, "--truth", run+".truth.csv", "--resamples", "-1")
	for _, want := range []string{"sensor needle, 5 degrees of freedom", "without what is flagged", "predicted RMS"} {
		if !strings.Contains(text, want) {
			t.Errorf("%q is missing in\n%s", want, text)
		}
	}
}

// rowsOf reads a table of a run.
func rowsOf[T tables.Row](t *testing.T, dir, name string) (rows []T) {
	t.Helper()
	r, err := tables.Open[T](filepath.Join(dir, name+".parquet"))
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	for row, err := range r.All() {
		if err != nil {
			t.Fatal(err)
		}
		rows = append(rows, row)
	}
	return rows
}

// One of two sensors has fewer couplings than unknowns: its rows are there, flagged and
// without a pose, and count as unsolved, not as errors. A run of it alone fails, and
// leaves its tables.
func TestUnobservable(t *testing.T) {
	dir := t.TempDir()
	rig := withoutEmitters(t, "square-bench.rig.yaml", "board5", "sensors:") // four are left
	run, out, alone := filepath.Join(dir, "run"), filepath.Join(dir, "out"), filepath.Join(dir, "alone")
	tonepose(t, "simulate", rig, "--path", "sweep", "--duration", "100ms", "--out", run, "--seed", "3")
	tonepose(t, "solve", run+".sigmf-meta", "--rig", rig, "--window", "20ms", "--out", out, "--quiet")
	empty := func(row *tables.Pose) bool {
		return row.Estimate == nil && row.Covariance == nil && row.Flags == verdict.Unobservable && row.Status == "unobservable" && row.DOF == -1
	}
	for _, row := range rowsOf[tables.Pose](t, out, tables.PosesName) {
		if empty(&row) != (row.Sensor == "needle") {
			t.Errorf("%+v", row)
		}
	}
	if sum := assessJSON(t, out, "--truth", run+".truth.csv"); sum.N != 5 || sum.Unsolved != 5 || sum.Flagged != 0 {
		t.Errorf("%d poses, %d rows without one, %d flagged", sum.N, sum.Unsolved, sum.Flagged)
	}
	var errs bytes.Buffer
	intervals := writeFile(t, "needle.csv", "start_s,stop_s,sensor\n0.02,0.04,needle\n0.05,0.07,needle\n")
	code := Run(t.Context(), []string{"solve", run + ".sigmf-meta", "--rig", rig, "--intervals", intervals, "--out", alone}, Streams{Out: &bytes.Buffer{}, Err: &errs})
	if want := "no pose came out, the tables are kept: none of 2 rows: unobservable in 2\n"; code != 1 || !strings.HasSuffix(errs.String(), want) {
		t.Errorf("exit code %d: %s", code, &errs)
	}
	rows := rowsOf[tables.Pose](t, alone, tables.PosesName)
	if len(rows) != 2 || !empty(&rows[0]) || !empty(&rows[1]) || len(rowsOf[tables.Coupling](t, alone, tables.CouplingsName)) != 8 {
		t.Errorf("%+v", rows)
	}
	errs.Reset()
	if code := Run(t.Context(), []string{"assess", alone, "--truth", run + ".truth.csv"}, Streams{Out: &bytes.Buffer{}, Err: &errs}); code != 1 || !strings.Contains(errs.String(), "2 rows without one") {
		t.Errorf("assess: exit code %d: %s", code, &errs)
	}
}
