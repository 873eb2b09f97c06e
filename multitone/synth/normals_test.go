package synth

import (
	"math/rand/v2"
	"testing"
)

// Fifty million numbers come by every strip's edge some thousand times: a limit or width
// off by its last bit would show. Reference: math/rand/v2.
func TestNormalsAreThoseOfRand(t *testing.T) {
	var seed, purpose uint64 = 7, 3
	n, want := newNormals(seed, purpose), rand.New(rand.NewPCG(seed, purpose*0x9e3779b97f4a7c15+1))
	count := 50_000_000
	if testing.Short() {
		count = 1_000_000
	}
	some := make([]float64, 1000)
	for i := 0; i < count; i += len(some) {
		n.fill(some)
		for k, a := range some {
			if b := want.NormFloat64(); a != b {
				t.Fatalf("number %d: %g, want %g", i+k, a, b)
			}
		}
	}
}

func BenchmarkNormals(b *testing.B) {
	n, some := newNormals(1, 2), make([]float64, stretch)
	for b.Loop() {
		n.fill(some)
	}
	b.ReportMetric(1e-6*stretch*float64(b.N)/b.Elapsed().Seconds(), "Mnumbers/s")
}
