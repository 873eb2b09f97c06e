package integrity

import (
	"math/rand/v2"
	"testing"

	"tonepose/solver"
	"tonepose/solver/internal/solvertest"
)

// A right guess, of one tone or two to which something is added, is found from whatever pose the
// spoiled frame gave.
func TestWithoutFindsRightGuesses(t *testing.T) {
	s := newBench(t)
	x := New(s)
	r := rand.New(rand.NewPCG(17, 2))
	const frames = 500
	for _, guess := range [][]int{{2}, {1, 6}} {
		missed := 0
		for range frames {
			pose := randomPose(r)
			o := observe(s, pose, r, nil)
			largest := 0.0
			for _, v := range o.Value {
				largest = max(largest, v, -v)
			}
			for _, e := range guess {
				for i := e * 3; i < e*3+3; i++ {
					o.Value[i] += 0.3 * largest * r.NormFloat64()
				}
			}
			fit := s.Cold(o.Couplings)
			got, _, _, ok := x.Without(&o, &fit, guess...)
			if !ok || Chance(got.ChiSquare, got.DOF) < explained {
				missed++
			}
		}
		// The quick search of a hypothesis misses a place now and then; a tone that is disturbed stands out
		// of the next frame too.
		if missed > frames/50 {
			t.Errorf("tones %v: %d of %d right guesses were not found", guess, missed, frames)
		}
	}
}

// A wrong guess costs the steps of a quick search and no more, whatever the couplings: a warm start
// and eight descents at most, with those that are softened before (solver.Cold), of which the last
// may be followed to its end.
func TestWithoutIsBounded(t *testing.T) {
	var watch solvertest.Watch
	p := benchProblem()
	watch.Over(p)
	s, err := solver.New(p, solver.Options{})
	if err != nil {
		t.Fatal(err)
	}
	x := New(s)
	r := rand.New(rand.NewPCG(17, 3))
	pose := randomPose(r)
	before := watch.Calls
	if err := s.Evaluate(pose, make([]float64, len(benchHz)*3), make([][6]float64, len(benchHz)*3)); err != nil {
		t.Fatal(err)
	}
	evaluation := watch.Calls - before
	const (
		softenings = 5 // of a descent that failed, half as long each
		descents   = 8 * quickCandidates
		most       = quickIterations*(1+descents*(2+softenings/2.0)) + 60 + 60
	)
	for range 50 {
		o := observe(s, randomPose(r), r, nil)
		r.Shuffle(len(o.Value), func(i, j int) { o.Value[i], o.Value[j] = o.Value[j], o.Value[i] })
		fit := s.Cold(o.Couplings)
		before := watch.Calls
		x.Without(&o, &fit, 4)
		if n := float64(watch.Calls-before) / float64(evaluation); n > most {
			t.Errorf("%.0f evaluations, want at most %.0f", n, most)
		}
	}
}
