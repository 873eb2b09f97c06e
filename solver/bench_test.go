package solver

import (
	"fmt"
	"testing"

	"tonepose/fieldmodels/variant/varianttest"
)

// BenchmarkMachine measures what the processor does at best; see multitone/LIMITS.md.
func BenchmarkMachine(b *testing.B) { varianttest.Machine(b) }

func BenchmarkSolve(b *testing.B) {
	for _, model := range []string{"dipole", "loop", "loopdisc"} {
		for _, dof := range []int{6, 5} {
			benchmarkSolve(b, model, dof)
		}
	}
}

func benchmarkSolve(b *testing.B, model string, dof int) {
	p, tasks := modelProblem(b, model, dof)
	s, err := New(p, Options{})
	if err != nil {
		b.Fatal(err)
	}
	for _, start := range []string{"warm", "cold"} {
		b.Run(fmt.Sprintf("dof=%d/start=%s/model=%s", dof, start, model), func(b *testing.B) {
			b.ReportAllocs()
			k := 0
			for b.Loop() {
				t := &tasks[k]
				if k++; k == len(tasks) {
					k = 0
				}
				if start == "warm" {
					s.Warm(t.couplings, t.start)
				} else {
					s.Cold(t.couplings)
				}
			}
			b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "solves/s")
		})
	}
}

// modelProblem is the fixed problem with dipoles, or with loops of 35 mm and the
// same moments and point coils or coils of 4 mm; the couplings of loops are made
// anew, with the same noise.
func modelProblem(tb testing.TB, model string, dof int) (Problem, []task) {
	if model == "dipole" {
		return fixedProblem(tb, dof, knownDipole)
	}
	p, tasks := fixedProblem(tb, dof, loopLike)
	dipoles, _ := fixedProblem(tb, dof, knownDipole)
	if model == "loopdisc" {
		for i := range p.Sensor.Coils {
			p.Sensor.Coils[i].Radius = 0.004
		}
	}
	from, err := New(dipoles, Options{})
	if err != nil {
		tb.Fatal(err)
	}
	to, err := New(p, Options{})
	if err != nil {
		tb.Fatal(err)
	}
	n := len(tasks[0].couplings.Value)
	a, b := make([]float64, n), make([]float64, n)
	for _, t := range tasks {
		if err := from.Evaluate(t.truth, a, nil); err != nil {
			tb.Fatal(err)
		}
		if err := to.Evaluate(t.truth, b, nil); err != nil {
			tb.Fatal(err)
		}
		for i := range a {
			t.couplings.Value[i] += b[i] - a[i]
		}
	}
	return p, tasks
}
