package plan

import (
	"context"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/bench"
	"tonepose/cmd/tonepose/internal/engine"
	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/cmd/tonepose/internal/simulate"
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
	r, err := rig.Load("../../../../testdata/rigs/"+rigFile, rig.Options{})
	if err != nil {
		t.Fatal(err)
	}
	p, err := begin(r, o)
	if err != nil {
		t.Fatal(err)
	}
	noise, err := p.noise(0)
	if err != nil {
		t.Fatal(err)
	}
	array, err := r.Array()
	if err != nil {
		t.Fatal(err)
	}
	predictor, err := prediction.New(solver.Problem{Array: array, Sensor: r.Sensor(0), Volume: r.Volume()}, noise)
	if err != nil {
		t.Fatal(err)
	}
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
	eng, err := engine.New(b, engine.Options{Windows: engine.Windows{Length: o.WindowS, Hop: o.WindowS, Taper: engine.Taper{Cosine: cosine}}})
	if err != nil {
		t.Fatal(err)
	}
	axis := r.Sensor(0).Coils[0].Axis
	_, _, err = eng.Run(t.Context(), rec, func(seen *engine.Observation) error {
		for _, s := range stations {
			if seen.Time-seen.Duration/2 < s.Start || seen.Time+seen.Duration/2 > s.Stop {
				continue
			}
			fit := &seen.Sensors[0].Fit
			if !seen.Sensors[0].Solved {
				return fmt.Errorf("no pose at %g s: %s", seen.Time, fit.Status)
			}
			b := predictor.At(s.Pose)
			dp, dr := fit.Pose.Minus(s.Pose)
			if predictor.Freedom() == 5 {
				dr = rigid.Log(rigid.Between(s.Pose.Rotate(axis), fit.Pose.Rotate(axis)))
			}
			position += r3.Norm2(dp) / (b.PositionM * b.PositionM)
			rotation += r3.Norm2(dr) / (b.RotationRad * b.RotationRad)
			n++
		}
		return nil
	}, nil)
	if err != nil {
		t.Fatal(err)
	}
	return position / float64(n), rotation / float64(n), n
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
