package live

import (
	"time"

	"tonepose/cmd/tonepose/internal/bench"
	"tonepose/cmd/tonepose/internal/engine"
	"tonepose/cmd/tonepose/internal/solve"
	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/solver"
	"tonepose/solver/trajectory"
)

var _ = time.Now
var _ *bench.Bench
var _ *engine.Engine
var _ *solve.Row
var _ *tables.Pose
var _ *solver.Solver
var _ trajectory.Options

type joiner struct{}

func newJoiner(o *Options, b *bench.Bench, i int) (*joiner, error) { return nil, nil }
func (p *pipeline) join(f *frame, seen *engine.Observation) error  { return nil }
func (p *pipeline) flush() error                                   { return nil }
