package simulate

import (
	"context"
	_ "embed"
	"path/filepath"

	"tonepose/cmd/tonepose/internal/files"
	"tonepose/cmd/tonepose/internal/rig"
)

// benchRig is an invented pipe-inspection bench.
//
//go:embed bench.rig.yaml
var benchRig []byte

// BuiltinRig is an invented pipe-inspection bench, as Bench has it.
func BuiltinRig() (*rig.Rig, error) { return rig.Parse("bench", benchRig, rig.Options{}) }

// Bench writes the rig file of an invented pipe-inspection bench into dir, which
// must exist, and simulates a built-in path on it: NAME.sigmf-meta and -data,
// NAME.truth.csv and, for stations, NAME.intervals.csv. Existing files are replaced.
// Noise, mains and a clock offset are those of a good bench.
func Bench(ctx context.Context, dir, path string, seed uint64, progress func(done, total int64)) (rigFile string, err error) {
	rigFile = filepath.Join(dir, "bench.rig.yaml")
	if err := files.WriteFile(rigFile, benchRig); err != nil {
		return "", err
	}
	_, err = Run(ctx, rigFile, path, filepath.Join(dir, path), Options{
		Bits: 16, Noise: 5e-9, FlickerHz: 300, MainsHz: 50, MainsV: 10e-6,
		ClockPPM: 31, CurrentDrift: 5e-4, Seed: seed, Force: true,
	}, progress)
	return rigFile, err
}
