package tables

import (
	"io"
	"math/rand/v2"
	"testing"
)

// frames returns n windows of 12 channels and 8 tones with invented noise.
func frames(n int) []Phasor {
	random := rand.New(rand.NewPCG(1, 2))
	channels := []string{"rx1", "rx2", "rx3", "rx4", "rx5", "rx6", "rx7", "rx8", "rx9", "rx10", "rx11", "drive"}
	tones := []string{"e1", "e2", "e3", "e4", "e5", "e6", "e7", "e8"}
	var list []Phasor
	for f := range n {
		for k, tone := range tones {
			for _, c := range channels {
				list = append(list, Phasor{Time: 0.01024 * float64(f), Duration: 0.02048, Channel: c, Tone: tone,
					ToneHz:  5000 + 1000*float64(k),
					InPhase: random.NormFloat64(), Quadrature: random.NormFloat64(), Sigma: 1e-6 * (1 + 0.1*random.Float64())})
			}
		}
	}
	return list
}

func BenchmarkWritePhasors(b *testing.B) {
	const frame = 96
	list := frames(1000)
	s := newWriter(io.Discard, phasors)
	b.ReportAllocs()
	n := 0
	for b.Loop() {
		for i := 0; i < len(list); i += frame {
			if err := s.Write(list[i : i+frame]...); err != nil {
				b.Fatal(err)
			}
		}
		n += len(list)
	}
	if err := s.finish(Metadata{}); err != nil {
		b.Fatal(err)
	}
	b.ReportMetric(float64(n)/b.Elapsed().Seconds(), "rows/s")
}

func BenchmarkWritePoses(b *testing.B) {
	list := inventedPoses(1 << 12)
	s := newWriter(io.Discard, poses)
	b.ReportAllocs()
	n := 0
	for b.Loop() {
		if err := s.Write(list...); err != nil {
			b.Fatal(err)
		}
		n += len(list)
	}
	b.ReportMetric(float64(n)/b.Elapsed().Seconds(), "rows/s")
}

// The encoder's buffers grow once a page and once a group, never with a row.
func TestWritingPhasorsDoesNotAllocatePerRow(t *testing.T) {
	list := frames(100)
	s := newWriter(io.Discard, phasors)
	if err := s.Write(list...); err != nil {
		t.Fatal(err)
	}
	perRun := testing.AllocsPerRun(10, func() { s.Write(list...) })
	if perRow := perRun / float64(len(list)); perRow > 0.01 {
		t.Errorf("%.3f allocations a row", perRow)
	}
}

// BenchmarkWriteLabelledPhasors is BenchmarkWritePhasors with two columns of labels.
func BenchmarkWriteLabelledPhasors(b *testing.B) {
	list := frames(1000)
	var set Set
	p := Partition{Labels: []Label{{"pipe", "A7"}, {"operator", "invented"}}}
	if err := p.begin(&set, PhasorsName, io.Discard); err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	n := 0
	for b.Loop() {
		if err := set.Phasors.Write(list...); err != nil {
			b.Fatal(err)
		}
		n += len(list)
	}
	if err := set.writers[0].finish(Metadata{}); err != nil {
		b.Fatal(err)
	}
	b.ReportMetric(float64(n)/b.Elapsed().Seconds(), "rows/s")
}
