package subject

import (
	"math"
	"os"
	"path/filepath"
	"testing"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/cmd/tonepose/internal/verdict"
	"tonepose/fieldmodels/rigid"
)

// longRun is the folder of a run of four sensors with so many invented rows.
func longRun(b *testing.B, rows int) string {
	text, err := os.ReadFile(filepath.Join("..", "..", "..", "..", "testdata", "rigs", "four-probes.rig.yaml"))
	if err != nil {
		b.Fatal(err)
	}
	dir := b.TempDir()
	set, err := tables.Create(dir, true, tables.Metadata{Rig: string(text), Options: map[string]string{}}, tables.PosesName, tables.IntegrityName)
	if err != nil {
		b.Fatal(err)
	}
	sensors := []string{"probe1", "probe2", "probe3", "probe4"}
	var c tables.Covariance
	for i := range rows {
		turn := float64(i) * 1e-5
		for k := range 6 {
			c.Set(k, k, 1e-10*(1.1+math.Sin(7*turn)))
		}
		flags := verdict.Flags(0)
		if i%4000 < 30 {
			flags = verdict.Distorted
		}
		p := tables.Pose{Time: float64(i/4) * 240e-6, Duration: 0.01, Sensor: sensors[i%4], Covariance: &c, Chi2: 18 + 6*math.Sin(float64(i)), DOF: 18, Status: "converged", Flags: flags,
			Estimate: &rigid.Pose{Position: r3.Vec{X: 0.1 * math.Cos(turn), Y: 0.1 * math.Sin(turn), Z: 0.2}, Rotation: quat.Number{Real: math.Cos(turn / 2), Kmag: math.Sin(turn / 2)}}}
		v := tables.Integrity{Time: p.Time, Duration: p.Duration, Sensor: p.Sensor, Flags: flags, Verdict: verdict.Verdict{Chi2: p.Chi2, DOF: 18,
			QuadratureChi2: 24 + 7*math.Cos(float64(i)), QuadratureDOF: 24, Spread: 1e-6, PositionError: 3e-5, RotationError: 1e-4}}
		if err := set.Poses.Write(p); err != nil {
			b.Fatal(err)
		}
		if err := set.Integrity.Write(v); err != nil {
			b.Fatal(err)
		}
	}
	if err := set.Close(); err != nil {
		b.Fatal(err)
	}
	return dir
}

// From the folder of a run to tracks that can be drawn.
func BenchmarkIndex(b *testing.B) {
	const rows = 1 << 18
	dir := longRun(b, rows)
	b.ReportAllocs()
	for b.Loop() {
		r, err := OpenRun(RunOptions{Dir: dir}, func(string) {})
		if err != nil {
			b.Fatal(err)
		}
		if err := r.index(b.Context()); err != nil {
			b.Fatal(err)
		}
		r.Close()
	}
	b.ReportMetric(rows*float64(b.N)/b.Elapsed().Seconds(), "rows/s")
}
