package solver

import (
	"fmt"
	"testing"
)

func BenchmarkSolve(b *testing.B) {
	for _, dof := range []int{6, 5} {
		p, tasks := fixedProblem(b, dof, knownDipole)
		s, err := New(p, Options{})
		if err != nil {
			b.Fatal(err)
		}
		for _, start := range []string{"warm", "cold"} {
			b.Run(fmt.Sprintf("dof=%d/start=%s/model=dipole", dof, start), func(b *testing.B) {
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
}
