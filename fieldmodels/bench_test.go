package fieldmodels_test

import (
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels"
	"tonepose/fieldmodels/variant/varianttest"
)

// benchPoints are places of a probe about a bench: 0.15..0.6 m from the coil.
func benchPoints() []r3.Vec {
	rng := rand.New(rand.NewPCG(7, 8))
	points := make([]r3.Vec, 1024)
	for i := range points {
		u := r3.Unit(r3.Vec{X: rng.NormFloat64(), Y: rng.NormFloat64(), Z: rng.NormFloat64()})
		points[i] = r3.Scale(0.15+0.45*rng.Float64(), u)
	}
	return points
}

func reportPoints(b *testing.B, perOp int) {
	b.ReportMetric(float64(perOp)*float64(b.N)/b.Elapsed().Seconds()/1e6, "Mpoints/s")
}

func benchmarkSource(b *testing.B, src fieldmodels.Source, points []r3.Vec) {
	b.Run("op=field", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			for _, p := range points {
				if _, err := src.Field(p); err != nil {
					b.Fatal(err)
				}
			}
		}
		reportPoints(b, len(points))
	})
	b.Run("op=gradient", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			for _, p := range points {
				if _, _, err := src.Gradient(p); err != nil {
					b.Fatal(err)
				}
			}
		}
		reportPoints(b, len(points))
	})
}

// BenchmarkMachine measures what the processor does at best; see multitone/LIMITS.md.
func BenchmarkMachine(b *testing.B) { varianttest.Machine(b) }

func BenchmarkLoop(b *testing.B) {
	benchmarkSource(b, fieldmodels.Loop{Radius: 0.035, Turns: 40}, benchPoints())
}

func BenchmarkLoopNear(b *testing.B) {
	points := benchPoints()
	for i := range points {
		points[i] = r3.Scale(0.1, points[i]) // 15..60 mm
	}
	benchmarkSource(b, fieldmodels.Loop{Radius: 0.035, Turns: 40}, points)
}

func BenchmarkSource(b *testing.B) {
	for _, m := range models() {
		b.Run("model="+m.name, func(b *testing.B) { benchmarkSource(b, m.source, benchPoints()) })
	}
}
