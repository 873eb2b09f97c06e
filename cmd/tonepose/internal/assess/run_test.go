package assess_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/assess"
	"tonepose/cmd/tonepose/internal/calibrate"
	"tonepose/cmd/tonepose/internal/files"
	"tonepose/cmd/tonepose/internal/measure"
	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/cmd/tonepose/internal/simulate"
	"tonepose/cmd/tonepose/internal/solve"
	"tonepose/fieldmodels/rigid"
	"tonepose/solver/assessment"
	"tonepose/solver/calibration"
)

var data = filepath.Join("..", "..", "..", "..", "testdata")

// coaxialRig is a bench with a probe of two coils on one axis, written to six
// digits as rig files have it, and its poses to the micrometre.
func coaxialRig(t *testing.T) string {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(data, "rigs", "micro-coil.rig.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	head, _, _ := strings.Cut(string(text), "\nsensors:\n")
	head = strings.Replace(head, "- {name: drive,", "- {name: rx2, full_scale_v: 4.0, gain: 1000.0, delay_s: 1.5e-06}\n- {name: drive,", 1)
	name := filepath.Join(t.TempDir(), "coaxial.rig.yaml")
	if err := os.WriteFile(name, []byte(head+`
sensors:
- name: probe
  coils:
  - {channel: rx1, center_m: [-0.002673, -0.005345, -0.008018], axis: [0.267261, 0.534522, 0.801784], area_turns_m2: 8.0e-05}
  - {channel: rx2, center_m: [0.002673, 0.005345, 0.008018], axis: [0.267261, 0.534522, 0.801784], area_turns_m2: 8.0e-05}
working_volume: {min_m: [-0.15, -0.15, 0.06], max_m: [0.15, 0.15, 0.25]}
`), 0o644); err != nil {
		t.Fatal(err)
	}
	return name
}

// run simulates rests of a twentieth of a second at poses of a rig, solves and
// assesses them.
func run(t *testing.T, file string, poses []rigid.Pose, how simulate.Options) (string, *assess.Result) {
	t.Helper()
	r, err := rig.Load(file, rig.Options{})
	if err != nil {
		t.Fatal(err)
	}
	var text strings.Builder
	text.WriteString("start_s,stop_s,x_m,y_m,z_m,qw,qx,qy,qz\n")
	for i, pose := range poses {
		p, q := pose.Position, pose.Rotation
		fmt.Fprintf(&text, "%.17g,%.17g,%.17g,%.17g,%.17g,%.17g,%.17g,%.17g,%.17g\n", 0.07*float64(i), 0.07*float64(i)+0.05, p.X, p.Y, p.Z, q.Real, q.Imag, q.Jmag, q.Kmag)
	}
	name := filepath.Join(t.TempDir(), "rest")
	truth := name + ".csv"
	if err := os.WriteFile(truth, []byte(text.String()), 0o644); err != nil {
		t.Fatal(err)
	}
	path, err := simulate.ReadPath(truth, []string{r.Sensors[0].Name})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := simulate.Write(t.Context(), r, path, name, how, nil); err != nil {
		t.Fatal(err)
	}
	return solved(t, file, name+".sigmf-meta", truth)
}

func solved(t *testing.T, file, recorded, truth string) (string, *assess.Result) {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "run")
	if _, err := solve.Run(t.Context(), solve.Options{Job: measure.Job{Input: measure.Input{Recording: recorded, Rig: file}, Out: dir, Intervals: truth, Options: map[string]string{"rig": file}}}); err != nil {
		t.Fatal(err)
	}
	a, err := assess.Compare(t.Context(), dir, truth, assess.Options{})
	if err != nil {
		t.Fatal(err)
	}
	return dir, a
}

// A probe with coils on one axis is assessed with the five degrees of freedom that
// it was solved with: no rotation about the axis counts. The mean of n·5 squares is 1
// within four of its sigmas, √(2/5n).
func TestCoaxialCoilsAreAssessedInFiveDegrees(t *testing.T) {
	poses := somePoses(24)
	_, a := run(t, coaxialRig(t), poses, simulate.Options{Noise: 1e-8, Seed: 5})
	report, all := assessment.Summarise(a.Samples)
	if report.N != len(poses) {
		t.Fatalf("%d poses of %d", report.N, len(poses))
	}
	for i, e := range all {
		if e.Freedom != 5 {
			t.Fatalf("pose %d has %d degrees of freedom", i, e.Freedom)
		}
	}
	t.Logf("orientation RMS %.3g rad, predicted %.3g; normalised squared error %.2f", report.OrientationRMS, report.PredictedRotation, report.NormalisedMean)
	if bound := 4 * math.Sqrt(2/(5*float64(report.N))); math.Abs(report.NormalisedMean-1) > bound {
		t.Errorf("normalised squared error %.2f: want 1 ± %.2f", report.NormalisedMean, bound)
	}
	// Of two components each: within the scatter of 2·24 squares, four sigmas.
	if q := report.OrientationRMS / report.PredictedRotation; math.Abs(q*q-1) > 4*math.Sqrt(2./(2*float64(report.N))) {
		t.Errorf("orientation RMS is %.2f times what is predicted", q)
	}
}

func somePoses(n int) (poses []rigid.Pose) {
	rng := rand.New(rand.NewPCG(2, 6))
	for range n {
		poses = append(poses, rigid.Pose{
			Position: r3.Vec{X: 0.2*rng.Float64() - 0.1, Y: 0.2*rng.Float64() - 0.1, Z: 0.08 + 0.1*rng.Float64()},
			Rotation: rigid.Exp(r3.Vec{X: rng.NormFloat64(), Y: rng.NormFloat64(), Z: rng.NormFloat64()}),
		})
	}
	return poses
}

// Where the references are weak, their noise moves all couplings of an emitter
// alike by half a percent: the 95 % ellipsoids hold 95 in 100 positions, and the
// squared error is one a degree of freedom. Of n poses the share scatters by
// √(0.95·0.05/n), the mean of squares of six by √(2/6n).
func TestWeakReferences(t *testing.T) {
	text, err := os.ReadFile(filepath.Join(data, "rigs", "pipe-bench.rig.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	weak := strings.ReplaceAll(string(text), "transimpedance_ohm: 0.5", "transimpedance_ohm: 0.0003")
	if weak == string(text) {
		t.Fatal("the rig has no reference of 0.5 ohm")
	}
	file := filepath.Join(t.TempDir(), "weak.rig.yaml")
	if err := os.WriteFile(file, []byte(weak), 0o644); err != nil {
		t.Fatal(err)
	}
	_, a := run(t, file, somePoses(weakPoses), simulate.Options{Noise: 1.2e-7, Seed: 3})
	report, _ := assessment.Summarise(a.Samples)
	n := float64(report.N)
	spread := math.Sqrt(0.95 * 0.05 / n)
	t.Logf("%.1f %% of %d inside, one sigma %.1f %%; normalised squared error %.3f; %.3g mm, predicted %.3g mm", 100*report.Coverage95, report.N, 100*spread, report.NormalisedMean, 1e3*report.PositionRMS, 1e3*report.PredictedPosition)
	if report.N != weakPoses || math.Abs(report.Coverage95-0.95) > 4*spread {
		t.Errorf("%.1f %% of %d inside the 95 %% ellipsoids: want 95 ± %.1f %%", 100*report.Coverage95, report.N, 400*spread)
	}
	if bound := 4 * math.Sqrt(2/(6*n)); math.Abs(report.NormalisedMean-1) > bound {
		t.Errorf("normalised squared error %.3f: want 1 ± %.3f", report.NormalisedMean, bound)
	}
}

// What a budget combines is what the poses state: the noise and, of a calibrated
// rig, the covariances of emitters and pickups. (The rig as drawn has no
// tolerances.) Solve weighs at a
// pose within a hundredth of a sigma of the one stated, where nothing differs by a
// hundredth.
func TestBudgetIsWhatThePosesState(t *testing.T) {
	recorded := func(name string) string { return filepath.Join(data, "recordings", "pipe-bench-calibration"+name) }
	drawn := filepath.Join(data, "rigs", "pipe-bench.rig.yaml")
	r, err := rig.Load(drawn, rig.Options{})
	if err != nil {
		t.Fatal(err)
	}
	free, err := calibration.ParseFree("default")
	if err != nil {
		t.Fatal(err)
	}
	built := filepath.Join(t.TempDir(), "built.rig.yaml")
	found, err := calibrate.Run(t.Context(), calibrate.Options{Input: measure.Input{Recording: recorded(".sigmf-meta"), Rig: drawn}, Out: built,
		Intervals: recorded(".reference.csv"), Adjust: calibration.Options{Free: free}})
	if err != nil {
		t.Fatal(err)
	}
	var written files.Batch
	if err := found.Add(&written); err != nil {
		t.Fatal(err)
	}
	if err := written.Commit(); err != nil {
		t.Fatal(err)
	}
	for name, file := range map[string]string{"calibrated": built, "drawn": drawn} {
		t.Run(name, func(t *testing.T) {
			dir, a := solved(t, file, recorded("-validation.sigmf-meta"), recorded("-validation.truth.csv"))
			budget, err := a.Budget(t.Context(), dir, r.Sensors[0].Name, &assess.Options{Confidence: 0.95})
			if err != nil {
				t.Fatal(err)
			}
			report, _ := assessment.Summarise(a.Sensor(r.Sensors[0].Name).Samples)
			norm := func(from int) float64 {
				c := &budget.Combined
				return math.Hypot(math.Hypot(c[from], c[from+1]), c[from+2])
			}
			position, rotation := norm(0), norm(3)
			t.Logf("combined %.4g m and %.4g rad, predicted %.4g and %.4g", position, rotation, report.PredictedPosition, report.PredictedRotation)
			for _, line := range budget.Lines {
				t.Logf("%-60s %.3g", line.Source, line.Sigma)
			}
			if budget.Poses != report.N || math.Abs(position/report.PredictedPosition-1) > 0.01 || math.Abs(rotation/report.PredictedRotation-1) > 0.01 {
				t.Errorf("%d poses, combined %.4g m and %.4g rad: want the predicted %d, %.4g, %.4g", budget.Poses, position, rotation, report.N, report.PredictedPosition, report.PredictedRotation)
			}
		})
	}
}
