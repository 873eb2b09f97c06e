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
	"tonepose/cmd/tonepose/internal/growth"
	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/fieldmodels/rigid"
)

// A probe that moves, its truth every 5 ms and a pose of 0.1 mm and 1 mrad noise
// every 10 ms: rows of truth a second, which do not depend on their number.
func BenchmarkAssessTimed(b *testing.B) {
	text, err := os.ReadFile(filepath.Join("..", "..", "..", "..", "testdata", "rigs", "pipe-bench.rig.yaml"))
	if err != nil {
		b.Fatal(err)
	}
	growth.Row{Length: "rows", First: 6000, Rate: "rows/s", Prepare: func(b *testing.B, rows float64) func() error {
		dir := filepath.Join(b.TempDir(), "run")
		truth := dir + ".truth.csv"
		timedRun(b, string(text), dir, truth, int(rows))
		return func() error {
			_, err := assess.Run(b.Context(), dir, truth, assess.Options{Reach: 0.5, Confidence: 0.95, Seed: 1})
			return err
		}
	}}.Run(b)
}

// timedRun writes a table of poses and the truth that they scatter about.
func timedRun(b *testing.B, rig, dir, truth string, rows int) {
	b.Helper()
	const step, sigma, turn = 5e-3, 1e-4, 1e-3
	random := rand.New(rand.NewPCG(1, 1))
	vector := func(size float64) r3.Vec {
		return r3.Vec{X: size * random.NormFloat64(), Y: size * random.NormFloat64(), Z: size * random.NormFloat64()}
	}
	var covariance tables.Covariance
	for i := range 3 {
		covariance.Set(i, i, sigma*sigma)
		covariance.Set(3+i, 3+i, turn*turn)
	}
	set, err := tables.Create(dir, false, tables.Metadata{Rig: rig}, tables.PosesName)
	if err != nil {
		b.Fatal(err)
	}
	defer set.Abort()
	var known strings.Builder
	known.WriteString("time_s,x_m,y_m,z_m,qw,qx,qy,qz\n")
	for i := range rows {
		t := step * float64(i)
		p := rigid.Pose{
			Position: r3.Vec{X: 0.05 * math.Sin(2*t), Y: 0.05 * math.Cos(3*t), Z: 0.15 + 0.02*math.Sin(5*t)},
			Rotation: rigid.Exp(r3.Vec{X: math.Sin(t), Y: math.Cos(2 * t), Z: 0.5}),
		}
		q := p.Rotation
		fmt.Fprintf(&known, "%.6f,%.10f,%.10f,%.10f,%.12f,%.12f,%.12f,%.12f\n", t, p.Position.X, p.Position.Y, p.Position.Z, q.Real, q.Imag, q.Jmag, q.Kmag)
		if i%2 == 0 {
			continue
		}
		seen := p.Plus(vector(sigma), vector(turn))
		if err := set.Poses.Write(tables.Pose{Time: t, Duration: 0.01, Sensor: "probe", Estimate: &seen, Covariance: &covariance, DOF: 18, Status: "converged"}); err != nil {
			b.Fatal(err)
		}
	}
	if err := set.Close(); err != nil {
		b.Fatal(err)
	}
	if err := os.WriteFile(truth, []byte(known.String()), 0o644); err != nil {
		b.Fatal(err)
	}
}
