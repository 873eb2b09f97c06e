package simulate

import (
	"bytes"
	"context"
	_ "embed"
	"fmt"
	"os"
	"path/filepath"

	"tonepose/cmd/tonepose/internal/files"
	"tonepose/cmd/tonepose/internal/rig"
)

// benchRig is an invented pipe-inspection bench.
//
//go:embed bench.rig.yaml
var benchRig []byte

// BenchRun is a simulated run of the invented bench.
type BenchRun struct {
	RigFile string
	Rig     *rig.Rig
	Summary *Summary
}

// Bench writes the rig file of an invented pipe-inspection bench
// (bench.rig.yaml) into dir, which must exist, and simulates a built-in path on
// it: NAME.sigmf-meta and -data, NAME.truth.csv and, for stations,
// NAME.intervals.csv. Noise, mains and a clock offset are those of a good bench.
func Bench(ctx context.Context, dir, path string, seed uint64, force bool, progress func(done, total int64)) (*BenchRun, error) {
	b := &BenchRun{RigFile: filepath.Join(dir, "bench.rig.yaml")}
	var err error
	if b.Rig, err = rig.Parse(b.RigFile, benchRig, rig.Options{}); err != nil {
		return nil, err
	}
	p, err := BuiltinPath(path, b.Rig, 0, seed)
	if err != nil {
		return nil, err
	}
	if old, err := os.ReadFile(b.RigFile); err == nil && !force && !bytes.Equal(old, benchRig) {
		return nil, fmt.Errorf("%s exists and is another rig: name another directory, or add --force to replace it", b.RigFile)
	}
	if err := files.WriteFile(b.RigFile, benchRig); err != nil {
		return nil, err
	}
	b.Summary, err = Write(ctx, b.Rig, p, filepath.Join(dir, path), Options{
		Bits: 16, Noise: 5e-9, FlickerHz: 300, MainsHz: 50, MainsV: 10e-6,
		ClockPPM: 31, CurrentDrift: 5e-4, Seed: seed, Force: force,
	}, progress)
	return b, err
}
