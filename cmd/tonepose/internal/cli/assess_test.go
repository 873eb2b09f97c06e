package cli

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/assess"
	"tonepose/cmd/tonepose/internal/present"
	"tonepose/fieldmodels/rigid"
)

// solvedStations solves the recording of 27 stations into a new directory.
func solvedStations(t *testing.T, args ...string) string {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "out")
	tonepose(t, append([]string{"solve", recordingFile("pipe-bench-stations.sigmf-meta"), "--rig", rigFile("pipe-bench.rig.yaml"), "--out", dir, "--figures", "none", "--quiet"}, args...)...)
	return dir
}

func wholeStations(t *testing.T) string {
	return solvedStations(t, "--intervals", recordingFile("pipe-bench-stations.truth.csv"))
}

// stationRow is a row of a truth file.
type stationRow struct {
	station     string
	start, stop float64
	pose        rigid.Pose
}

func stationRows(t *testing.T) (rows []stationRow) {
	t.Helper()
	f, err := os.Open(recordingFile("pipe-bench-stations.truth.csv"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	table, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range table[1:] {
		v := make([]float64, len(r))
		for i, s := range r {
			v[i], _ = strconv.ParseFloat(s, 64)
		}
		rows = append(rows, stationRow{r[0], v[1], v[2], rigid.Pose{Position: r3.Vec{X: v[4], Y: v[5], Z: v[6]},
			Rotation: rigid.Normalize(quat.Number{Real: v[7], Imag: v[8], Jmag: v[9], Kmag: v[10]})}})
	}
	return rows
}

func writeTruth(t *testing.T, rows []stationRow) string {
	t.Helper()
	var b strings.Builder
	b.WriteString("station,start_s,stop_s,x_m,y_m,z_m,qw,qx,qy,qz\n")
	for _, r := range rows {
		p, q := r.pose.Position, r.pose.Rotation
		fmt.Fprintf(&b, "%s,%.9g,%.9g,%.12g,%.12g,%.12g,%.12g,%.12g,%.12g,%.12g\n", r.station, r.start, r.stop, p.X, p.Y, p.Z, q.Real, q.Imag, q.Jmag, q.Kmag)
	}
	return writeFile(t, "truth.csv", b.String())
}

func writeFile(t *testing.T, name, text string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), name)
	if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	return path
}

func assessJSON(t *testing.T, args ...string) (sum present.AssessmentObject) {
	t.Helper()
	if err := json.Unmarshal([]byte(tonepose(t, append([]string{"assess", "--json"}, args...)...)), &sum); err != nil {
		t.Fatal(err)
	}
	return sum
}

// offBy is how far a registered pose is from want, and the sigmas that it states.
func offBy(p present.Pose, want rigid.Pose) (off, sigma [6]float64) {
	dp, dr := p.Rigid().Minus(want)
	if p.SigmaPosition == nil || p.SigmaRotation == nil {
		return [6]float64{math.Inf(1)}, sigma
	}
	return [6]float64{dp.X, dp.Y, dp.Z, dr.X, dr.Y, dr.Z}, [6]float64(append(p.SigmaPosition[:], p.SigmaRotation[:]...))
}

var (
	inventedFrame = rigid.Pose{Position: r3.Vec{X: 0.4, Y: -0.2, Z: 0.05}, Rotation: rigid.Exp(r3.Vec{X: 0.3, Y: -0.2, Z: 2})}
	inventedBody  = rigid.Pose{Position: r3.Vec{X: 0.01, Y: 0.03, Z: -0.02}, Rotation: rigid.Exp(r3.Vec{X: 1, Y: 0.4, Z: -0.3})}
)

// The truth seen from another frame, one row of it 10 mm wrong: registration
// gives the frame back within its sigma, names the row, and the stated
// uncertainty of the errors still holds.
func TestAssessRegistersARigidFrame(t *testing.T) {
	dir := wholeStations(t)
	rows := stationRows(t)
	for i := range rows {
		rows[i].pose = inventedFrame.Inverse().Compose(rows[i].pose)
	}
	rows[11].pose.Position.X += 0.01
	transform := filepath.Join(t.TempDir(), "board.json")
	sum := assessJSON(t, dir, "--truth", writeTruth(t, rows), "--register", "rigid", "--save-transform", transform)
	r := sum.Registration
	if len(r.Outliers) != 1 || r.Outliers[0].Station != rows[11].station || r.Used != 26 {
		t.Errorf("outliers %+v, %d used", r.Outliers, r.Used)
	}
	off, sigma := offBy(r.Frame, inventedFrame)
	for i, e := range off {
		if math.Abs(e) > 4*sigma[i] {
			t.Errorf("frame component %d off by %g, sigma %g", i, e, sigma[i])
		}
	}
	if r.DOF != 3*26-6 || r.Chi2 > float64(r.DOF)+4*math.Sqrt(2*float64(r.DOF)) {
		t.Errorf("chi-square %.1f of %d", r.Chi2, r.DOF)
	}
	// Half of the 27 lie at the bound of 0.012 mm RMS.
	if sum.PositionMedian > 0.012e-3 || math.Abs(sum.PositionMax-0.01) > 1e-4 {
		t.Errorf("median %g m, largest %g m", sum.PositionMedian, sum.PositionMax)
	}
	// Used again on the true rows, the transform is no fit of them any more.
	for i := range rows {
		rows[i].pose = inventedFrame.Inverse().Compose(stationRows(t)[i].pose)
	}
	again := assessJSON(t, dir, "--truth", writeTruth(t, rows), "--transform", transform)
	if again.PositionRMS > 0.015e-3 || again.Registration.Kind != "given" {
		t.Errorf("position RMS %g m by a %s transform", again.PositionRMS, again.Registration.Kind)
	}
	// Mean of 27 chi-squares of six over six; 0.5 is five standard deviations.
	if math.Abs(again.NormalisedMean-1) > 0.5 {
		t.Errorf("squared error over prediction %.2f", again.NormalisedMean)
	}
}

func TestAssessRegistersHandEye(t *testing.T) {
	dir := wholeStations(t)
	rows := stationRows(t)
	for i := range rows {
		rows[i].pose = inventedFrame.Inverse().Compose(rows[i].pose).Compose(inventedBody.Inverse())
	}
	truth := writeTruth(t, rows)
	sum := assessJSON(t, dir, "--truth", truth, "--register", "hand-eye")
	for _, c := range []struct {
		name string
		got  present.Pose
		want rigid.Pose
	}{{"frame", sum.Registration.Frame, inventedFrame}, {"body", sum.Registration.Body, inventedBody}} {
		off, sigma := offBy(c.got, c.want)
		for i, e := range off {
			if math.Abs(e) > 4*sigma[i] {
				t.Errorf("%s: component %d off by %g, sigma %g", c.name, i, e, sigma[i])
			}
		}
	}
	if sum.PositionRMS > 0.015e-3 || sum.OrientationRMS > 0.010*degree {
		t.Errorf("position %g m RMS, orientation %g rad RMS", sum.PositionRMS, sum.OrientationRMS)
	}
	// The errors left by a fit are as much smaller as their covariances say.
	if math.Abs(sum.NormalisedMean-1) > 0.5 {
		t.Errorf("squared error over prediction %.2f", sum.NormalisedMean)
	}
	// Not registered, distances still compare, but for the marker's own arm.
	plain := assessJSON(t, dir, "--truth", truth)
	if plain.PositionRMS < 0.1 {
		t.Errorf("without registration the position RMS is %g m", plain.PositionRMS)
	}
}

// A reference device that is worse than the bench, and says so, is counted in;
// its marker is turned wrongly too, 30 mm from the sensor.
func TestAssessCountsTheReference(t *testing.T) {
	dir := wholeStations(t)
	rng := rand.New(rand.NewPCG(1, 1))
	var b strings.Builder
	b.WriteString("start_s,stop_s,x_m,y_m,z_m,qw,qx,qy,qz,sigma_position_m,sigma_rotation_rad\n")
	for i, r := range stationRows(t) {
		place, turn := 1e-4*float64(1+i%2), 5e-3
		noise := func(s float64) r3.Vec {
			return r3.Vec{X: s * rng.NormFloat64(), Y: s * rng.NormFloat64(), Z: s * rng.NormFloat64()}
		}
		pose := inventedFrame.Inverse().Compose(r.pose).Compose(inventedBody.Inverse()).Plus(noise(place), noise(turn))
		p, q := pose.Position, pose.Rotation
		fmt.Fprintf(&b, "%g,%g,%.12g,%.12g,%.12g,%.12g,%.12g,%.12g,%.12g,%g,%g\n", r.start, r.stop, p.X, p.Y, p.Z, q.Real, q.Imag, q.Jmag, q.Kmag, place, turn)
	}
	sum := assessJSON(t, dir, "--truth", writeFile(t, "truth.csv", b.String()), "--register", "hand-eye", "--budget")
	// 27 poses of six degrees of freedom less the twelve fitted: four standard
	// deviations of their mean.
	if limit := 4 * math.Sqrt(2./150); math.Abs(sum.NormalisedMean-1) > limit {
		t.Errorf("squared error over prediction %.3f, want 1 ± %.2f", sum.NormalisedMean, limit)
	}
	off, sigma := offBy(sum.Registration.Frame, inventedFrame)
	for i, e := range off[:3] {
		if math.Abs(e) > 4*sigma[i] {
			t.Errorf("frame off by %g m, sigma %g m", e, sigma[i])
		}
	}
	found := false
	for _, l := range sum.Sensors[0].Budget.Lines {
		found = found || l.Source == "reference device" && math.Abs(l.Sigma[3]-5e-3) < 1e-9
	}
	if !found {
		t.Errorf("%+v", sum.Sensors[0].Budget.Lines)
	}
}

// Windows within a rest tell repeatability; the RMS of the stations' means is
// smaller than that of single windows by about √4 (the tapers overlook some noise).
func TestAssessSplitsPrecision(t *testing.T) {
	dir := solvedStations(t, "--window", "20ms")
	sum := assessJSON(t, dir, "--truth", recordingFile("pipe-bench-stations.truth.csv"))
	p := sum.Precision
	if p.Stations != 27 || p.Visits != 27 || p.Windows != 108 {
		t.Fatalf("%d stations, %d visits, %d windows", p.Stations, p.Visits, p.Windows)
	}
	if q := p.Repeatability.Position / sum.PredictedPosition; math.Abs(q-1) > 0.35 {
		t.Errorf("repeatability is %.2f of the predicted sigma", q)
	}
	if q := p.Trueness.Position / p.Repeatability.Position; q < 0.3 || q > 0.75 {
		t.Errorf("bias by station is %.2f of the repeatability, want about a half", q)
	}
	if c := sum.Confidence; c.Unit != "stations" || !(c.PositionRMS.Lo < sum.PositionRMS && sum.PositionRMS < c.PositionRMS.Hi) {
		t.Errorf("%+v around %g", c.PositionRMS, sum.PositionRMS)
	}
}

// The budget's noise is what solve states, however it comes about.
func TestAssessBudget(t *testing.T) {
	sum := assessJSON(t, wholeStations(t), "--truth", recordingFile("pipe-bench-stations.truth.csv"), "--budget")
	b := sum.Sensors[0].Budget
	var total float64
	for _, v := range b.Combined[:3] {
		total += v * v
	}
	// Both are of one error model, at poses that differ by less than a hundredth of a
	// sigma; this rig states no tolerances.
	if q := math.Sqrt(total) / sum.PredictedPosition; math.Abs(q-1) > 1e-3 {
		t.Errorf("the budget is %.5f of the predicted sigma", q)
	}
	// Noise of the couplings, and that of the drives common to their coils.
	if len(b.Lines) != 2 || math.Abs(b.Expanded[0]/b.Combined[0]-1.95996) > 1e-5 {
		t.Errorf("%+v", b)
	}
}

// Another logger's clock: the recording's start comes from core:datetime.
func TestAssessJoinsByDatetime(t *testing.T) {
	dir := t.TempDir()
	meta, err := os.ReadFile(recordingFile("pipe-bench-stations.sigmf-meta"))
	if err != nil {
		t.Fatal(err)
	}
	data, err := filepath.Abs(recordingFile("pipe-bench-stations.sigmf-data"))
	if err != nil {
		t.Fatal(err)
	}
	var object map[string]any
	if err := json.Unmarshal(meta, &object); err != nil {
		t.Fatal(err)
	}
	object["captures"] = []any{map[string]any{"core:sample_start": 0, "core:datetime": "2026-03-01T12:00:00.250Z"}}
	if meta, err = json.Marshal(object); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, "dated.sigmf-meta"), meta, 0o644); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink(data, filepath.Join(dir, "dated.sigmf-data")); err != nil {
		t.Fatal(err)
	}
	out := filepath.Join(dir, "out")
	tonepose(t, "solve", filepath.Join(dir, "dated.sigmf-meta"), "--rig", rigFile("pipe-bench.rig.yaml"), "--out", out, "--figures", "none", "--quiet",
		"--intervals", recordingFile("pipe-bench-stations.truth.csv"))
	// Places only, in the time of a logger one second ahead, one zone east.
	var b strings.Builder
	b.WriteString("start_datetime,stop_datetime,x_m,y_m,z_m\n")
	at := func(s float64) string {
		origin := time.Date(2026, 3, 1, 13, 0, 1, 250_000_000, time.FixedZone("", 3600))
		return origin.Add(time.Duration(s * 1e9)).Format(time.RFC3339Nano)
	}
	for _, r := range stationRows(t) {
		fmt.Fprintf(&b, "%s,%s,%.9g,%.9g,%.9g\n", at(r.start), at(r.stop), r.pose.Position.X, r.pose.Position.Y, r.pose.Position.Z)
	}
	truth := writeFile(t, "logger.csv", b.String())
	text := tonepose(t, "assess", out, "--truth", truth, "--time-offset", "1s", "--json")
	var sum map[string]any
	if err := json.Unmarshal([]byte(text), &sum); err != nil {
		t.Fatal(err)
	}
	if sum["n"] != 27.0 || sum["position_rms_m"].(float64) > 0.015e-3 || sum["orientation_rms_rad"] != nil {
		t.Errorf("%v poses, position %v m, orientation %v rad", sum["n"], sum["position_rms_m"], sum["orientation_rms_rad"])
	}
	// A run without a start refuses.
	var errs bytes.Buffer
	if code := Run(t.Context(), []string{"assess", wholeStations(t), "--truth", truth}, Streams{Out: &bytes.Buffer{}, Err: &errs}); code != 2 || !strings.Contains(errs.String(), "states no start time") {
		t.Errorf("exit code %d: %s", code, &errs)
	}
}

// A pointer turned about its tip: the tip comes back within its sigma, is
// written into a rig, and carried by poses that are solved with it.
func TestAssessPivot(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	tip, point := r3.Vec{X: 0.002, Y: -0.001, Z: 0.06}, r3.Vec{X: 0.01, Y: 0.02, Z: 0.1}
	var b, tips strings.Builder
	b.WriteString("start_s,stop_s,x_m,y_m,z_m,qw,qx,qy,qz\n")
	tips.WriteString("start_s,stop_s,x_m,y_m,z_m\n")
	for i := range 16 {
		angle := 2 * math.Pi * float64(i) / 16
		q := rigid.Normalize(quat.Mul(rigid.Exp(r3.Vec{X: math.Pi + 0.45*math.Cos(angle), Y: 0.45 * math.Sin(angle)}), rigid.Exp(r3.Vec{Z: 0.2 * float64(i)})))
		p := r3.Sub(point, rigid.Rotate(q, tip))
		start := 0.05 * float64(i)
		fmt.Fprintf(&b, "%.4f,%.4f,%.12g,%.12g,%.12g,%.12g,%.12g,%.12g,%.12g\n", start, start+0.03, p.X, p.Y, p.Z, q.Real, q.Imag, q.Jmag, q.Kmag)
		fmt.Fprintf(&tips, "%.4f,%.4f,%g,%g,%g\n", start, start+0.03, point.X, point.Y, point.Z)
	}
	path, rig := writeFile(t, "pivot.csv", b.String()), rigFile("pipe-bench.rig.yaml")
	recording := filepath.Join(dir, "pivot")
	tonepose(t, "simulate", rig, "--path", path, "--out", recording, "--seed", "5")
	out, pointer := filepath.Join(dir, "out"), filepath.Join(dir, "pointer.rig.yaml")
	tonepose(t, "solve", recording+".sigmf-meta", "--rig", rig, "--intervals", path, "--out", out, "--figures", "none", "--quiet")
	var sum assess.Pivoted
	if err := json.Unmarshal([]byte(tonepose(t, "assess", out, "--pivot", "--save-rig", pointer, "--json")), &sum); err != nil {
		t.Fatal(err)
	}
	for i, want := range [3]float64{tip.X, tip.Y, tip.Z} {
		if d := math.Abs(sum.Tip[i] - want); d > 4*sum.SigmaTip[i] || sum.SigmaTip[i] > 1e-4 {
			t.Errorf("tip[%d] off by %g m, sigma %g m", i, d, sum.SigmaTip[i])
		}
	}
	for i, want := range [3]float64{point.X, point.Y, point.Z} {
		if d := math.Abs(sum.Point[i] - want); d > 4*sum.SigmaPoint[i] {
			t.Errorf("point[%d] off by %g m, sigma %g m", i, d, sum.SigmaPoint[i])
		}
	}
	if limit := float64(sum.DOF) + 5*math.Sqrt(2*float64(sum.DOF)); sum.DOF != 3*16-6 || sum.ChiSquare > limit {
		t.Errorf("chi-square %.1f of %d", sum.ChiSquare, sum.DOF)
	}
	// The new rig's poses know where the tip was.
	again := filepath.Join(dir, "again")
	tonepose(t, "solve", recording+".sigmf-meta", "--rig", pointer, "--intervals", path, "--out", again, "--figures", "none", "--quiet")
	at := assessJSON(t, again, "--truth", writeFile(t, "tips.csv", tips.String()), "--at", "tip")
	if at.N != 16 || at.PositionRMS > 1e-4 || at.Precision.Stations != 1 || at.Precision.Visits != 16 {
		t.Errorf("%d tips, RMS %g m, %d stations in %d visits", at.N, at.PositionRMS, at.Precision.Stations, at.Precision.Visits)
	}
	same := assessJSON(t, again, "--truth", path, "--at", "tip")
	if same.N != 16 || same.PositionRMS > 1e-4 || math.Abs(same.NormalisedMean-1) > 0.6 {
		t.Errorf("%d tips of known poses, RMS %g m, squared error over prediction %.2f", same.N, same.PositionRMS, same.NormalisedMean)
	}
	var errs bytes.Buffer
	if code := Run(t.Context(), []string{"assess", out, "--truth", path, "--at", "tip"}, Streams{Out: &bytes.Buffer{}, Err: &errs}); code != 2 || !strings.Contains(errs.String(), "no tip_m") {
		t.Errorf("without a tip: exit code %d: %s", code, &errs)
	}
	// One place, many visits: their scatter is reproducibility, the mean's error
	// trueness.
	if r := at.Precision.Reproducibility.Position; !(r > 0 && r < 1e-4) || at.Precision.Trueness.Position > r {
		t.Errorf("reproducibility %g m, trueness %g m", r, at.Precision.Trueness.Position)
	}
}

func TestAssessMotion(t *testing.T) {
	t.Parallel()
	dir, figures := filepath.Join(t.TempDir(), "out"), filepath.Join(t.TempDir(), "figures")
	tonepose(t, "solve", recordingFile("pipe-bench-moving.sigmf-meta"), "--rig", rigFile("pipe-bench.rig.yaml"), "--window", "10ms", "--out", dir, "--figures", "none", "--quiet")
	truth := recordingFile("pipe-bench-moving.truth.csv")
	sum := assessJSON(t, dir, "--truth", truth, "--out", figures)
	s := sum.Sensors[0]
	// Time stamps are centres of windows: no lag, but for what frames that bend add.
	if s.Lag == nil || math.Abs(s.Lag.Seconds) > 5*s.Lag.Sigma {
		t.Errorf("lag %+v", s.Lag)
	}
	if s.Frames == nil || s.Frames.Dropped != 0 || s.Frames.Expected != 300 {
		t.Errorf("frames %+v", s.Frames)
	}
	if s.Drift == nil || s.Drift.N != 300 {
		t.Fatalf("drift %+v", s.Drift)
	}
	// White errors of one window have an Allan deviation of their RMS.
	if q := s.Drift.Allan[0].Position / sum.PositionRMS; math.Abs(q-1) > 0.2 {
		t.Errorf("Allan deviation at one window is %.2f of the RMS", q)
	}
	late := assessJSON(t, dir, "--truth", truth, "--time-offset", "-20ms")
	if d := late.Sensors[0].Lag.Seconds - s.Lag.Seconds + 0.02; math.Abs(d) > 2*s.Lag.Sigma {
		t.Errorf("an offset of −20 ms moves the lag by %g s", d-0.02)
	}
	for _, name := range []string{"path", "accuracy", "vectors", "map", "histogram", "quantiles", "allan"} {
		if info, err := os.Stat(filepath.Join(figures, name+".png")); err != nil || info.Size() < 5000 {
			t.Errorf("figure %s: %v", name, err)
		}
	}
	var errs bytes.Buffer
	if code := Run(t.Context(), []string{"assess", dir, "--truth", truth, "--out", figures}, Streams{Out: &bytes.Buffer{}, Err: &errs}); code != 2 || !strings.Contains(errs.String(), "--force") {
		t.Errorf("a directory with figures in it: exit code %d: %s", code, &errs)
	}
}

func TestAssessErrors(t *testing.T) {
	for _, c := range []struct {
		args []string
		want string
	}{
		{[]string{"assess", "x"}, "--truth is missing"},
		{[]string{"assess", "x", "--truth", "t.csv", "--register", "affine"}, "must be none, rigid or hand-eye"},
		{[]string{"assess", "x", "--truth", "t.csv", "--at", "marker"}, "must be origin or tip"},
		{[]string{"assess", "x", "--truth", "t.csv", "--confidence", "1"}, "must lie between 0 and 1"},
		{[]string{"assess", "x", "--truth", "t.csv", "--save-transform", "a"}, "needs --register"},
		{[]string{"assess", "x", "--truth", "t.csv", "--pivot"}, "exclude each other"},
		{[]string{"assess", "x", "--truth", "t.csv", "--transform", writeFile(t, "a.json", `{"frame": {"position_m": [1, 2]}}`)}, "\"quaternion\": [w, x, y, z]"},
	} {
		var errs bytes.Buffer
		if code := Run(t.Context(), c.args, Streams{Out: &bytes.Buffer{}, Err: &errs}); code != 2 || !strings.Contains(errs.String(), c.want) {
			t.Errorf("%v: exit code %d: %s", c.args, code, &errs)
		}
	}
}
