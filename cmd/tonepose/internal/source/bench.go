package source

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"slices"
	"strings"

	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/cmd/tonepose/internal/simulate"
)

// Bench says what the simulated bench does. Its receiver is a good one: 16 bits, noise of 5 nV/√Hz, mains, a clock that is
// some ppm off.
type Bench struct {
	Path  string // "sweep", "stations", or a CSV file, whose end is that of the samples; empty: sweep
	Scene string // file of what stands near it and happens on it; empty: nothing
	Seed  uint64 // of all that is random; equal seeds give equal samples
}

const benchPrefix = "bench:"

// BenchRig is the rig of the simulated bench that a source's name stands for; nil where it is another source.
func BenchRig(name string) (*rig.Rig, error) {
	file, ok := strings.CutPrefix(name, benchPrefix)
	switch {
	case !ok:
		return nil, nil
	case file == "":
		return simulate.BuiltinRig()
	}
	return rig.Load(file, rig.Options{})
}

func openBench(ctx context.Context, name, _ string, o Options) (Source, error) {
	r, err := BenchRig(name)
	if err != nil {
		return nil, err
	}
	path, samples, err := o.Bench.path(r)
	if err != nil {
		return nil, err
	}
	how := simulate.Options{Bits: 16, Noise: 5e-9, FlickerHz: 300, MainsHz: 50, MainsV: 10e-6, ClockPPM: 31, CurrentDrift: 5e-4,
		Seed: o.Bench.Seed, Scene: o.Bench.Scene}
	if slices.ContainsFunc(r.Channels, func(c rig.Channel) bool { return c.FullScaleV == 0 }) {
		how.Bits = 0
	}
	bench, err := simulate.NewGenerator(ctx, r, path, how, samples)
	if err != nil {
		return nil, err
	}
	return newPlayed(ctx, bench, nil, o)
}

// path is that of the sensors, and how many samples it lasts; 0: without end.
func (b *Bench) path(r *rig.Rig) (p *simulate.Path, samples int64, err error) {
	if name := b.Path; name != "" && !slices.Contains(simulate.BuiltinPaths, name) {
		if p, err = simulate.ReadPath(name, r.SensorNames()); errors.Is(err, fs.ErrNotExist) {
			err = fmt.Errorf("%w: built-in paths are %s", err, strings.Join(simulate.BuiltinPaths, " and "))
		}
		if err != nil {
			return nil, 0, err
		}
		return p, int64(math.Round(p.Duration * r.SampleRateHz)), nil
	}
	name := b.Path
	if name == "" {
		name = "sweep"
	}
	p, err = simulate.BuiltinPath(name, r, 0, b.Seed)
	return p, 0, err
}
