package verdict

import (
	"context"
	"errors"
	"math"
	"path/filepath"
	"strings"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/bench"
	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/fieldmodels/rigid"
	"tonepose/solver"
	"tonepose/solver/leastsquares"
)

// newGuard judges the sensor of a bench in testdata, with couplings at a pose.
func newGuard(t *testing.T, o Options, at rigid.Pose) (*Guard, *bench.Bench, solver.Couplings) {
	t.Helper()
	r, err := rig.Load(filepath.Join("..", "..", "..", "..", "testdata", "rigs", "micro-coil.rig.yaml"), rig.Options{})
	if err != nil {
		t.Fatal(err)
	}
	b := bench.New(r)
	s, err := b.Solver(0)
	if err != nil {
		t.Fatal(err)
	}
	n := len(r.Emitters)
	c := solver.Couplings{Value: make([]float64, n), Variance: make([]float64, n)}
	if err := s.Evaluate(at, c.Value, nil); err != nil {
		t.Fatal(err)
	}
	for i := range c.Variance {
		c.Variance[i] = 1e-28
	}
	return NewGuard(b, 0, s, o), b, c
}

// A pose on a conductor has no field to be judged by: it stands, flagged, and the
// finding says why.
func TestPoseThatCannotBeJudgedStands(t *testing.T) {
	for name, o := range map[string]Options{"plain": {}, "robust": {Robust: leastsquares.Huber{}}} {
		g, b, c := newGuard(t, o, rigid.Pose{Position: r3.Vec{Z: 0.15}, Rotation: rigid.Identity().Rotation})
		e := b.Rig().Emitters[0]
		array, err := b.Rig().Array()
		if err != nil {
			t.Fatal(err)
		}
		center, axis := array.Emitters[0].Center, array.Emitters[0].Axis
		wire := r3.Add(center, r3.Scale(0.035, r3.Unit(r3.Cross(axis, r3.Vec{X: 1}))))
		result := solver.Result{Status: solver.Converged, Pose: rigid.Pose{Position: wire, Rotation: rigid.Identity().Rotation}, ChiSquare: 1, DOF: 1}
		before := result
		quadrature, hz := make([]complex128, len(c.Value)), make([]float64, len(c.Value))
		for i := range hz {
			hz[i] = e.ToneHz
		}
		flags, row, err := g.Judge(t.Context(), &c, quadrature, &result, nil, &Frame{Hz: hz})
		if err != nil {
			t.Fatal(err)
		}
		if flags&NotJudged == 0 || result != before || !strings.Contains(row.Finding, "conductor") || !math.IsNaN(row.Chi2) {
			t.Errorf("%s: flags %q, finding %q, %+v", name, flags, row.Finding, result)
		}
	}
}

// The context's end is an error, not a verdict.
func TestJudgingEndsWithItsContext(t *testing.T) {
	g, _, c := newGuard(t, Options{}, rigid.Pose{Position: r3.Vec{Z: 0.15}, Rotation: rigid.Identity().Rotation})
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	// A misfit that asks for the search of faults.
	result := solver.Result{Status: solver.Converged, Pose: rigid.Pose{Position: r3.Vec{Z: 0.15}, Rotation: rigid.Identity().Rotation}, ChiSquare: 1e6, DOF: 1}
	if _, _, err := g.Judge(ctx, &c, make([]complex128, len(c.Value)), &result, nil, &Frame{Hz: make([]float64, len(c.Value))}); !errors.Is(err, context.Canceled) {
		t.Errorf("%v", err)
	}
}
