package integrity

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels"
	"tonepose/solver"
	"tonepose/solver/internal/solvertest"
)

// wideProblem is the bench with so many emitters, on a ring.
func wideProblem(emitters int) solver.Problem {
	p := benchProblem()
	p.Array.Emitters = nil
	r := rand.New(rand.NewPCG(60, 1))
	for i := range emitters {
		s, c := math.Sincos(2 * math.Pi * float64(i) / float64(emitters))
		radius := 0.12 + 0.1*r.Float64()
		center, axis := r3.Vec{X: radius * c, Y: radius * s}, r3.Unit(r3.Vec{X: 0.4 * r.NormFloat64(), Y: 0.4 * r.NormFloat64(), Z: 1})
		p.Array.Emitters = append(p.Array.Emitters, fieldmodels.Emitter{Center: center, Axis: axis,
			Source: fieldmodels.PlaceAxis(fieldmodels.Loop{Radius: 0.035, Turns: 40}, center, axis)})
	}
	return p
}

// Where emitters are so many that not every exchange can be tried, faults are found still,
// and finding them takes no more than a stated number of solves.
func TestCostOfManyHypothesesIsBounded(t *testing.T) {
	var watch solvertest.Watch
	p := wideProblem(30)
	watch.Over(p)
	s, err := solver.New(p, solver.Options{})
	if err != nil {
		t.Fatal(err)
	}
	x := New(s)
	all := x.hypotheses()
	if len(all) < mostTried*3/2 {
		t.Fatalf("%d hypotheses are too few for this test", len(all))
	}
	r := rand.New(rand.NewPCG(60, 2))
	for _, fault := range []Fault{
		{Part: Emitter, A: 17, B: 26, Kind: Exchanged, Gain: 1}, {Part: Coil, A: 0, B: 2, Kind: Exchanged, Gain: 1},
	} {
		var frames []solver.Couplings
		var fits []solver.Result
		longest := 0
		{
			n := len(p.Array.Emitters) * len(p.Sensor.Coils)
			o := Observation{Couplings: solver.Couplings{Value: make([]float64, n), Variance: make([]float64, n)}}
			if err := s.Evaluate(randomPose(r), o.Value, nil); err != nil {
				t.Fatal(err)
			}
			for i := range o.Value {
				o.Value[i] += 1e-12 * r.NormFloat64()
				o.Variance[i] = 1e-24
			}
			spoil(x, &o, fault)
			before := watch.Calls
			frames, fits = append(frames, o.Couplings), append(fits, s.Cold(o.Couplings))
			longest = max(longest, watch.Calls-before)
		}
		before := watch.Calls
		found, err := x.Identify(t.Context(), frames, fits)
		if err != nil {
			t.Fatal(err)
		}
		if found.Fault == nil || !found.Fault.Same(fault) {
			t.Errorf("%+v was found as %+v", fault, found.Fault)
		}
		// The first frame of all that are tried, the second of half of them, and factors fitted
		// to the last few: a hypothesis is solved quickly, in less than a thorough solve.
		if solves := float64(watch.Calls-before) / float64(longest); solves > 1.5*mostTried {
			t.Errorf("%+v took as long as %.0f solves, of %d hypotheses", fault, solves, len(all))
		} else {
			t.Logf("%+v: %.0f solves", fault, solves)
		}
	}
}

// A search tells how far it is: from nothing to all, without a step back, and at least once for each
// hypothesis.
func TestSearchTellsHowFarItIs(t *testing.T) {
	p := wideProblem(12)
	s, err := solver.New(p, solver.Options{})
	if err != nil {
		t.Fatal(err)
	}
	x := New(s)
	r := rand.New(rand.NewPCG(61, 3))
	var frames []solver.Couplings
	var fits []solver.Result
	n := len(p.Array.Emitters) * len(p.Sensor.Coils)
	for range 2 {
		o := Observation{Couplings: solver.Couplings{Value: make([]float64, n), Variance: make([]float64, n)}}
		if err := s.Evaluate(randomPose(r), o.Value, nil); err != nil {
			t.Fatal(err)
		}
		for i := range o.Value {
			o.Value[i] += 1e-12 * r.NormFloat64()
			o.Variance[i] = 1e-24
		}
		spoil(x, &o, Fault{Part: Emitter, A: 3, B: 7, Kind: Exchanged, Gain: 1})
		frames, fits = append(frames, o.Couplings), append(fits, s.Cold(o.Couplings))
	}
	var told []int
	whole := 0
	x.Progress = func(done, total int) {
		if whole == 0 {
			whole = total
		}
		if len(told) > 0 && done < told[len(told)-1] || total != whole {
			t.Fatalf("%d of %d after %v of %d", done, total, told[max(0, len(told)-3):], whole)
		}
		told = append(told, done)
	}
	if _, err := x.Identify(t.Context(), frames, fits); err != nil {
		t.Fatal(err)
	}
	if hypotheses := len(x.hypotheses()); len(told) < hypotheses || told[0] != 0 || told[len(told)-1] != whole {
		t.Errorf("told %d times, from %v to %v of %d, want at least once for each of %d hypotheses", len(told), told[0], told[len(told)-1], whole, hypotheses)
	}
}
