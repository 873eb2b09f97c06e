package tables

import (
	"math"
	"path/filepath"
	"testing"
	"tonepose/cmd/tonepose/internal/verdict"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels/rigid"
)

// What is written comes back, with no value as NaN and nil.
func TestIntegrityRoundTrip(t *testing.T) {
	nan := math.NaN()
	none := [3]float64{nan, nan, nan}
	second := rigid.Pose{Position: r3.Vec{X: 1, Y: 2, Z: 3}, Rotation: rigid.Exp(r3.Vec{X: 0.5})}
	rows := []Integrity{
		{Time: 0.5, Duration: 1, Sensor: "probe", Flags: verdict.Ambiguous, Verdict: verdict.Verdict{Chi2: 12, DOF: 18, QuadratureChi2: nan, Spread: nan, PositionError: 1e-4, RotationError: 2e-3,
			RunnerUp: &second, RunnerUpRatio: 0.25, Nonlinearity: 0.6, Low: [3]float64{-1, nan, 0}, High: [3]float64{1, 2, nan}, Finding: "bends"}},
		{Time: 1.5, Duration: 1, Sensor: "probe", Verdict: verdict.Verdict{Chi2: nan, QuadratureChi2: 3, QuadratureDOF: 2, Spread: 1e-6, PositionError: nan, RotationError: nan,
			RunnerUpRatio: nan, Nonlinearity: nan, Low: none, High: none}},
	}
	dir := filepath.Join(t.TempDir(), "out")
	set, err := Create(dir, false, invented, IntegrityName)
	if err != nil {
		t.Fatal(err)
	}
	if err := set.Integrity.Write(rows...); err != nil {
		t.Fatal(err)
	}
	if err := set.Close(); err != nil {
		t.Fatal(err)
	}
	r, err := Open[Integrity](filepath.Join(dir, IntegrityName+".parquet"))
	compare(t, r, err, rows)
}
