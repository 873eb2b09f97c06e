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

// WriteBench writes the rig file of an invented pipe-inspection bench into dir, which it
// makes if need be. An existing file is replaced.
func WriteBench(dir string) (rigFile string, err error) {
	const name = "bench.rig.yaml"
	to, err := files.Into(dir, true)
	if err != nil {
		return "", err
	}
	defer to.Abort()
	if err := to.Write(name, benchRig); err != nil {
		return "", err
	}
	return filepath.Join(dir, name), to.Commit()
}

// Bench simulates a built-in path on the bench of WriteBench, beside its rig file:
// PATH.sigmf-meta and -data, PATH.truth.csv and, for stations, PATH.intervals.csv. Existing
// files are replaced. Noise, mains and a clock offset are those of a good bench.
func Bench(ctx context.Context, rigFile, path string, seed uint64, progress func(done, total int64)) error {
	_, err := Run(ctx, rigFile, path, filepath.Join(filepath.Dir(rigFile), path), Options{
		Bits: 16, Noise: 5e-9, FlickerHz: 300, MainsHz: 50, MainsV: 10e-6,
		ClockPPM: 31, CurrentDrift: 5e-4, Seed: seed, Force: true,
	}, progress)
	return err
}
