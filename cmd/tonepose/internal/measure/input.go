package measure

import (
	"context"

	"tonepose/cmd/tonepose/internal/bench"
	"tonepose/cmd/tonepose/internal/engine"
	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/cmd/tonepose/internal/stream"
	"tonepose/multitone/clock"
	"tonepose/multitone/coupling"
	"tonepose/multitone/recording"
)

// Input is what every job on a recording reads.
type Input struct {
	Recording string
	Reading   recording.Options
	Rig       string // rig file of the bench; empty: none
	Baseline  string // recording with the sensor far away: crosstalk to subtract; empty: none
	Clock     clock.Mode
	Progress  stream.Progress
}

// Open opens the recording, on the bench of its rig; without a rig the bench is
// nil.
func (in *Input) Open(ctx context.Context) (*bench.Bench, *recording.Reader, error) {
	if in.Rig == "" {
		rec, err := recording.Open(ctx, in.Recording, in.Reading)
		return nil, rec, err
	}
	r, err := rig.Load(in.Rig, rig.Options{})
	if err != nil {
		return nil, nil, err
	}
	b := bench.New(r)
	rec, err := b.Open(ctx, in.Recording, in.Reading)
	return b, rec, err
}

// Crosstalk measures the baseline; nil without one.
func (in *Input) Crosstalk(ctx context.Context, b *bench.Bench) ([]coupling.Matrix, error) {
	if in.Baseline == "" {
		return nil, nil
	}
	rec, err := b.Open(ctx, in.Baseline, in.Reading)
	if err != nil {
		return nil, err
	}
	defer rec.Close()
	crosstalk, err := engine.Baseline(ctx, rec, b, in.Clock, in.Progress)
	if err != nil {
		return nil, err
	}
	return crosstalk, rec.Unchanged()
}
