package plan

import (
	"context"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/bench"
	"tonepose/cmd/tonepose/internal/engine"
	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/cmd/tonepose/internal/simulate"
	"tonepose/cmd/tonepose/internal/stream"
	"tonepose/fieldmodels/rigid"
	"tonepose/multitone/recording"
	"tonepose/solver"
	"tonepose/solver/prediction"
)

// chain simulates a sensor that rests in several poses for stay seconds each,
// demodulates and solves windows of it, and returns the mean of the squared
// position and orientation errors over their predictions, and the number of
// windows.
func chain(t *testing.T, rigFile string, o Options, sim simulate.Options, cosine []float64, poses []rigid.Pose, stay float64) (position, rotation float64, n int) {
	t.Helper()
	r := load(t, rigFile)
	axis, predictor := r.Sensor(0).Coils[0].Axis, predictorOf(t, r, o)
	watch(t, r, o, sim, cosine, poses, stay, func(fit *solver.Result, pose rigid.Pose) {
		b := predictor.At(pose)
		dp, dr := fit.Pose.Minus(pose)
		if predictor.Freedom() == 5 {
			dr = rigid.Log(rigid.Between(pose.Rotate(axis), fit.Pose.Rotate(axis)))
		}
		position += r3.Norm2(dp) / (b.PositionM * b.PositionM)
		rotation += r3.Norm2(dr) / (b.RotationRad * b.RotationRad)
		n++
	})
	return position / float64(n), rotation / float64(n), n
}

func load(t *testing.T, rigFile string) *rig.Rig {
	t.Helper()
	r, err := rig.Load("../../../../testdata/rigs/"+rigFile, rig.Options{})
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func predictorOf(t *testing.T, r *rig.Rig, o Options) *prediction.Predictor {
	t.Helper()
	p, err := begin(r, o)
	if err != nil {
		t.Fatal(err)
	}
	array, err := p.array()
	if err != nil {
		t.Fatal(err)
	}
	predictor, err := p.predictor(array, 0)
	if err != nil {
		t.Fatal(err)
	}
	return predictor
}

// watch shows the fit of every window of a sensor that rests in poses.
func watch(t *testing.T, r *rig.Rig, o Options, sim simulate.Options, cosine []float64, poses []rigid.Pose, stay float64, see func(fit *solver.Result, pose rigid.Pose)) {
	t.Helper()
	const move = 0.1
	var stations []simulate.Station
	for i, pose := range poses {
		start := float64(i) * (stay + move)
		stations = append(stations, simulate.Station{Start: start, Stop: start + stay, Pose: pose})
	}
	var text strings.Builder
	text.WriteString("start_s,stop_s,x_m,y_m,z_m,qw,qx,qy,qz\n")
	for _, s := range stations {
		p, q := s.Pose.Position, s.Pose.Rotation
		fmt.Fprintf(&text, "%.17g,%.17g,%.17g,%.17g,%.17g,%.17g,%.17g,%.17g,%.17g\n", s.Start, s.Stop, p.X, p.Y, p.Z, q.Real, q.Imag, q.Jmag, q.Kmag)
	}
	file := filepath.Join(t.TempDir(), "rest")
	if err := os.WriteFile(file+".csv", []byte(text.String()), 0o644); err != nil {
		t.Fatal(err)
	}
	path, err := simulate.ReadPath(file+".csv", []string{r.Sensors[0].Name})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := simulate.Write(context.Background(), r, path, file, sim, nil); err != nil {
		t.Fatal(err)
	}
	b := bench.New(r)
	rec, err := b.Open(context.Background(), file+".sigmf-meta", recording.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer rec.Close()
	eng, err := engine.New(b, engine.Options{Windows: stream.Windows{Length: o.WindowS, Hop: o.WindowS, Taper: stream.Taper{Cosine: cosine}}})
	if err != nil {
		t.Fatal(err)
	}
	_, _, err = eng.Run(t.Context(), rec, func(seen *engine.Observation) error {
		for _, s := range stations {
			if seen.Time-seen.Duration/2 < s.Start || seen.Time+seen.Duration/2 > s.Stop {
				continue
			}
			if !seen.Sensors[0].Solved {
				return fmt.Errorf("no pose at %g s: %s", seen.Time, seen.Sensors[0].Fit.Status)
			}
			see(&seen.Sensors[0].Fit, s.Pose)
		}
		return nil
	}, nil)
	if err != nil {
		t.Fatal(err)
	}
}

// agree checks that both mean squares over their predictions are 1. A square of
// one to three Gaussian components has at most twice its mean's square as
// variance, so the mean over n windows has a deviation of √(2/n) at most, and its
// root half of that. Four of those are allowed, and no more than within.
func agree(t *testing.T, position, rotation float64, n int, within float64) {
	t.Helper()
	t.Logf("%d windows: rms error over predicted: position %.4f, orientation %.4f", n, math.Sqrt(position), math.Sqrt(rotation))
	tolerance := 2 * math.Sqrt(2/float64(n))
	if tolerance > within {
		t.Fatalf("%d windows show no more than ±%.3f", n, tolerance)
	}
	for what, square := range map[string]float64{"position": position, "orientation": rotation} {
		if math.Abs(math.Sqrt(square)-1) > tolerance {
			t.Errorf("%s: rms error %.4f of the prediction, want 1 ± %.3f", what, math.Sqrt(square), tolerance)
		}
	}
}

func rotated(x, y, z float64) quat.Number { return rigid.Exp(r3.Vec{X: x, Y: y, Z: z}) }

var probePoses = []rigid.Pose{
	{Position: r3.Vec{X: 0.02, Y: -0.03, Z: 0.12}, Rotation: rotated(0, 0, 0)},
	{Position: r3.Vec{X: -0.11, Y: 0.07, Z: 0.18}, Rotation: rotated(0.7, -0.4, 1.9)},
	{Position: r3.Vec{X: 0.15, Y: 0.12, Z: 0.27}, Rotation: rotated(-1.2, 0.9, 0.3)},
}

// What plan predicts is what simulating, demodulating and solving finds.
func TestPredictionAgainstChain(t *testing.T) {
	o := Options{WindowS: 10e-3, Taper: "hann", NoiseV: 5e-9, Bits: 16}
	position, rotation, n := chain(t, "pipe-bench.rig.yaml", o, simulate.Options{Bits: 16, Noise: 5e-9, ClockPPM: 20, Seed: 5}, []float64{0.5, 0.5}, probePoses, 1.2)
	agree(t, position, rotation, n, 0.16)
}

// calibrated is the pipe bench with a covariance as a calibration leaves one: places
// to 30 µm, directions to 0.5 mrad, strengths and sensitivities to a thousandth,
// each with its neighbours.
func calibrated(t *testing.T) *rig.Rig {
	t.Helper()
	r := load(t, "pipe-bench.rig.yaml")
	var names []string
	for _, e := range r.Emitters {
		p := rig.EmitterParameters(e.Name)
		names = append(names, p[:]...)
	}
	for _, c := range r.Sensors[0].Coils {
		p := rig.CoilParameters(r.Sensors[0].Name, r.Channels[c.Channel].Name)
		names = append(names, p[:]...)
	}
	sigma := [7]float64{3e-5, 3e-5, 3e-5, 5e-4, 5e-4, 5e-4, 1e-3}
	cov := mat.NewSymDense(len(names), nil)
	for i := range names {
		for k := i; k < len(names); k++ {
			cov.SetSym(i, k, sigma[i%7]*sigma[k%7]*math.Pow(0.5, float64(k-i)))
		}
	}
	e := r.Edit()
	e.SetCalibration(rig.Calibration{Date: time.Date(2026, 1, 2, 3, 4, 5, 0, time.UTC), Parameters: names}, cov)
	name := filepath.Join(t.TempDir(), "calibrated.rig.yaml")
	if _, err := e.Save(name); err != nil {
		t.Fatal(err)
	}
	r, err := rig.Load(name, rig.Options{})
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// What plan predicts of a calibrated rig is what solve states of a recording, pose by
// pose, by noise and calibration together. A window knows the noise of each coupling
// from some 40 numbers, to a tenth; over 24 couplings and 12 windows that is 0.6 %
// of a sigma, and weights by such noise state sigmas that are too small by about its
// square: 1 %. Four of the former and the latter.
func TestPredictionOfCalibratedRig(t *testing.T) {
	r, plain := calibrated(t), load(t, "pipe-bench.rig.yaml")
	o := Options{WindowS: 40e-3, Taper: "hann", NoiseV: 8e-9, Bits: 16}
	predicted, without := predictorOf(t, r, o), predictorOf(t, plain, o)
	type sums struct{ position, rotation, n float64 }
	stated := map[rigid.Pose]sums{}
	watch(t, r, o, simulate.Options{Bits: 16, Noise: 8e-9, ClockPPM: 20, Seed: 9}, []float64{0.5, 0.5}, probePoses, 0.52, func(fit *solver.Result, pose rigid.Pose) {
		s := stated[pose]
		for k := range 3 {
			s.position += fit.Covariance[k][k]
			s.rotation += fit.Covariance[3+k][3+k]
		}
		s.n++
		stated[pose] = s
	})
	for _, pose := range probePoses {
		s, b := stated[pose], predicted.At(pose)
		position, rotation := math.Sqrt(s.position/s.n)/b.PositionM, math.Sqrt(s.rotation/s.n)/b.RotationRad
		t.Logf("%.0f windows: stated over predicted: position %.4f, orientation %.4f; of noise alone %.4f of %.4f mm", s.n, position, rotation, 1e3*without.At(pose).PositionM, 1e3*b.PositionM)
		if s.n < 10 || math.Abs(position-1) > 0.035 || math.Abs(rotation-1) > 0.035 {
			t.Errorf("%v: stated over predicted: position %.4f, orientation %.4f", pose.Position, position, rotation)
		}
		if without.At(pose).PositionM > 0.9*b.PositionM {
			t.Error("the calibration adds too little to show anything")
		}
	}
}
