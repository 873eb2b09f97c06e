package solve

import (
	"math"
	"math/rand/v2"
	"os"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"tonepose/cmd/tonepose/internal/bench"
	"tonepose/cmd/tonepose/internal/engine"
	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/cmd/tonepose/internal/stream"
	"tonepose/cmd/tonepose/internal/verdict"
	"tonepose/solver"
	"tonepose/solver/trajectory"
)

// What a spool keeps is what was there, to the last bit, in any order of reading: windows
// without a pose, with couplings missing, more than are read at once.
func TestSpoolKeepsWindows(t *testing.T) {
	r, err := rig.Load(testdata("rigs", "pipe-bench.rig.yaml"), rig.Options{})
	if err != nil {
		t.Fatal(err)
	}
	s, err := bench.New(r).Solver(0)
	if err != nil {
		t.Fatal(err)
	}
	file, err := os.CreateTemp(t.TempDir(), "")
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	kept := spool{file: file}
	p := s.Problem()
	emitters, coils := len(p.Array.Emitters), len(p.Sensor.Coils)
	random := rand.New(rand.NewPCG(1, 2))
	list := func(n int) []float64 {
		v := make([]float64, n)
		for i := range v {
			v[i] = random.NormFloat64()
		}
		return v
	}
	const n = 500
	var want []window
	for i := range n {
		w := window{measured: stream.Measured{Time: float64(i) + random.Float64(), Duration: 0.01}}
		w.sensed.Fitted = solver.Couplings{Value: list(emitters * coils), Variance: list(emitters * coils), Common: list(emitters)}
		w.sensed.Fitted.Variance[i%coils] = math.Inf(1)
		fit := &w.sensed.Fit
		fit.ChiSquare, fit.DOF, fit.Iterations, fit.Status = math.NaN(), i%7, i%11, solver.Status(i%4)
		fit.Pose.Position.Y, fit.Pose.Rotation.Kmag = random.Float64(), random.Float64()
		for a := range fit.Covariance {
			copy(fit.Covariance[a][:], list(6))
		}
		w.sensed.Solved, w.sensed.Flags = i%3 > 0, verdict.Flags(i)
		if err := kept.keep(&w.measured, &w.sensed); err != nil {
			t.Fatal(err)
		}
		want = append(want, w)
	}
	if err := kept.save(); err != nil {
		t.Fatal(err)
	}
	windows := kept.reader(s)
	if windows.Len() != n || n*kept.size < 2*saved {
		t.Fatalf("%d windows of %d bytes", windows.Len(), kept.size)
	}
	var fr trajectory.Frame
	for k := range 3 * n {
		i := k % n
		if k >= n {
			i = random.IntN(n)
		}
		have, err := windows.window(i)
		if err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(want[i], *have, cmpopts.EquateNaNs(), cmp.AllowUnexported(window{}), cmpopts.IgnoreUnexported(engine.Sensed{}, stream.Measured{})); diff != "" {
			t.Fatalf("window %d: %s", i, diff)
		}
		if err := windows.Read(i, &fr); err != nil {
			t.Fatal(err)
		}
		sensed := &want[i].sensed
		if fr.Time != want[i].measured.Time || (fr.Pose != nil) != (sensed.Fit.Status == solver.Converged) || fr.Pose != nil && *fr.Pose != sensed.Fit.Pose {
			t.Fatalf("window %d: frame at %g s with pose %v", i, fr.Time, fr.Pose)
		}
		if diff := cmp.Diff(sensed.Fitted, fr.Couplings); diff != "" {
			t.Fatalf("window %d: %s", i, diff)
		}
	}
}
