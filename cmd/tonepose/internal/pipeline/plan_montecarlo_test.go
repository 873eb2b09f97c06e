package pipeline

import (
	"context"
	"fmt"
	"math"
	"path/filepath"
	"testing"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/fieldmodels/rigid"
	"tonepose/multitone/clock"
	"tonepose/multitone/recording"
	"tonepose/solver"
	"tonepose/solver/prediction"
)

// chain simulates a sensor that rests in several poses for stay seconds each,
// demodulates and solves windows of it, and returns the mean of the squared
// position and orientation errors over their predictions, and the number of
// windows.
func chain(t *testing.T, rigFile string, o PlanOptions, sim SimulateOptions, cosine []float64, places []rigid.Pose, stay float64) (position, rotation float64, n int) {
	t.Helper()
	r, err := rig.Load("../../../../testdata/rigs/"+rigFile, rig.Options{})
	if err != nil {
		t.Fatal(err)
	}
	p := &Plan{Window: PlanWindow{LengthS: o.WindowS, ENBWHz: o.NENBW / (2 * o.WindowS)}}
	noise, err := p.noise(r, 0, o)
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
	var stations []Station
	for i, pose := range places {
		start := float64(i) * (stay + move)
		stations = append(stations, Station{start, start + stay, pose})
	}
	track, err := newStationTrack(r.Sensors[0].Name, stations)
	if err != nil {
		t.Fatal(err)
	}
	path := &Path{Tracks: []Track{track}, knotStep: quickKnots}
	path.Duration = longest(path.Tracks)
	file := filepath.Join(t.TempDir(), "rest")
	if _, err := Simulate(context.Background(), r, path, file, sim, nil); err != nil {
		t.Fatal(err)
	}
	bench := NewBench(r)
	rec, err := bench.Open(context.Background(), file+".sigmf-meta", recording.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer rec.Close()
	if err := bench.PrepareSolvers(solver.Options{}); err != nil {
		t.Fatal(err)
	}
	axis := r.Sensor(0).Coils[0].Axis
	_, err = bench.Solve(context.Background(), rec, SolveOptions{Clock: clock.Common, Windows: Windows{Length: o.WindowS, Hop: o.WindowS, Cosine: cosine}},
		Sink{Poses: func(rows ...tables.Pose) error {
			for _, row := range rows {
				for _, s := range stations {
					if row.Time-row.Duration/2 < s.Start || row.Time+row.Duration/2 > s.Stop {
						continue
					}
					if row.Estimate == nil {
						return fmt.Errorf("no pose at %g s: %s", row.Time, row.Status)
					}
					b := predictor.At(s.Pose)
					dp, dr := row.Estimate.Minus(s.Pose)
					if predictor.Freedom() == 5 {
						dr = rigid.Log(rigid.Between(s.Pose.Rotate(axis), row.Estimate.Rotate(axis)))
					}
					position += r3.Norm2(dp) / (b.PositionM * b.PositionM)
					rotation += r3.Norm2(dr) / (b.RotationRad * b.RotationRad)
					n++
				}
			}
			return nil
		}})
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
		t.Fatalf("%d windows tell no more than ±%.3f", n, tolerance)
	}
	for what, square := range map[string]float64{"position": position, "orientation": rotation} {
		if math.Abs(math.Sqrt(square)-1) > tolerance {
			t.Errorf("%s: rms error %.4f of the prediction, want 1 ± %.3f", what, math.Sqrt(square), tolerance)
		}
	}
}

func attitude(x, y, z float64) quat.Number { return rigid.Exp(r3.Vec{X: x, Y: y, Z: z}) }

var probePoses = []rigid.Pose{
	{Position: r3.Vec{X: 0.02, Y: -0.03, Z: 0.12}, Rotation: attitude(0, 0, 0)},
	{Position: r3.Vec{X: -0.11, Y: 0.07, Z: 0.18}, Rotation: attitude(0.7, -0.4, 1.9)},
	{Position: r3.Vec{X: 0.15, Y: 0.12, Z: 0.27}, Rotation: attitude(-1.2, 0.9, 0.3)},
}

// What plan predicts is what simulating, demodulating and solving finds.
func TestPredictionAgainstChain(t *testing.T) {
	o := PlanOptions{WindowS: 10e-3, NENBW: 1.5, NoiseV: 5e-9, Bits: 16}
	position, rotation, n := chain(t, "pipe-bench.rig.yaml", o, SimulateOptions{Bits: 16, Noise: 5e-9, ClockPPM: 20, Seed: 5}, []float64{0.5, 0.5}, probePoses, 1.2)
	agree(t, position, rotation, n, 0.16)
}
