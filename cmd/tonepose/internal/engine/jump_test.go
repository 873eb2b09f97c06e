package engine

import (
	"math"
	"strings"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/bench"
	"tonepose/cmd/tonepose/internal/simulate"
	"tonepose/cmd/tonepose/internal/stream"
)

// A clock that jumps by 120 ppm within 0.1 s is captured again, after which poses are what
// noise makes of them.
func TestAClockThatJumpsIsCapturedAgain(t *testing.T) {
	r, err := simulate.BuiltinRig()
	if err != nil {
		t.Fatal(err)
	}
	path, err := simulate.BuiltinPath("sweep", r, 0, 3)
	if err != nil {
		t.Fatal(err)
	}
	const rate, jump, end = 100000, 1.2, 3.0
	g, err := simulate.NewGenerator(t.Context(), r, path, simulate.Options{Bits: 16, Noise: 5e-9, MainsHz: 50, MainsV: 1e-5, ClockPPM: -20, Seed: 3}, rate*end)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := g.Change(rate*jump, simulate.Clock{PPM: 100}); err != nil {
		t.Fatal(err)
	}
	var notes []string
	e, err := New(bench.New(r), Options{Windows: stream.Windows{Length: 10e-3, Hop: 10e-3}, Causal: true, Event: func(e Event) { notes = append(notes, e.Text) }})
	if err != nil {
		t.Fatal(err)
	}
	var poses int
	var square float64 // of errors in sigmas, after the jump
	_, _, err = e.Run(t.Context(), g, func(o *Observation) error {
		// 0.1 s to jump, 0.2 s to notice, 0.2 s to capture what may still have moved, twice.
		if o.Time > jump+0.7 {
			poses++
			fit := &o.Sensors[0].Fit
			off := r3.Norm2(r3.Sub(fit.Pose.Position, g.Pose(0, o.Time).Position))
			square += off / (fit.Covariance[0][0] + fit.Covariance[1][1] + fit.Covariance[2][2])
		}
		return nil
	}, nil)
	if err != nil {
		t.Fatal(err)
	}
	if all := strings.Join(notes, "; "); !strings.Contains(all, "the clock jumped") {
		t.Errorf("no note of the jump in %q", all)
	}
	if want := int((end - jump - 0.7) / 10e-3); poses < want-2 {
		t.Errorf("%d poses after the jump, want %d", poses, want)
	}
	// The mean of n squared errors of three directions, one of which may count most, is 1
	// within 4·√(2/n).
	if mean := square / float64(poses); math.Abs(mean-1) > 4*math.Sqrt(2/float64(poses)) {
		t.Errorf("squared errors after the jump are %.2f of what is stated", mean)
	}

}
