// Package solvertest has what the tests of solver's packages share.
package solvertest

import (
	"context"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels"
	"tonepose/solver"
)

// Watch counts the calls of the sources of an array, and calls End at call number
// Limit, if it is not 0.
type Watch struct {
	Calls, Limit int
	End          context.CancelFunc
}

// Over has the problem's sources counted.
func (w *Watch) Over(p solver.Problem) {
	for i := range p.Array.Emitters {
		p.Array.Emitters[i].Source = watched{p.Array.Emitters[i].Source, w}
	}
}

type watched struct {
	fieldmodels.Source
	*Watch
}

func (w watched) Gradient(p r3.Vec) (r3.Vec, fieldmodels.Jacobian, error) {
	if w.Calls++; w.Calls == w.Limit {
		w.End()
	}
	return w.Source.Gradient(p)
}
