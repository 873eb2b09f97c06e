package assessment

import (
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels/rigid"
)

// A quarter of an hour at 100 poses a second.
func BenchmarkSummarise(b *testing.B) {
	const n = 90_000
	rng := rand.New(rand.NewPCG(1, 1))
	var samples []Sample
	for i := range n {
		p := rigid.Pose{Position: r3.Vec{X: rng.Float64(), Y: rng.Float64(), Z: rng.Float64()}, Rotation: rigid.Exp(r3.Vec{X: rng.NormFloat64(), Y: rng.NormFloat64()})}
		c := [6][6]float64{}
		for k := range c {
			c[k][k] = 1e-10
		}
		samples = append(samples, Sample{Time: 0.01 * float64(i), Truth: p, Covariance: &c,
			Estimate: p.Plus(r3.Vec{X: 1e-5 * rng.NormFloat64()}, r3.Vec{Y: 1e-5 * rng.NormFloat64()})})
	}
	b.Run("bootstrap=no", func(b *testing.B) {
		for b.Loop() {
			Summarise(samples)
		}
	})
	b.Run("bootstrap=yes", func(b *testing.B) {
		for b.Loop() {
			r, all := Summarise(samples)
			if err := r.Bootstrap(b.Context(), samples, all, 0.95, 0, 1); err != nil {
				b.Fatal(err)
			}
		}
	})
}
