package calibrate

import (
	"errors"
	"math"
	"math/cmplx"
	"path/filepath"
	"testing"

	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/solver/calibration"
)

// What a calibration says of a channel must multiply its transfer function by
// Gain·exp(j(Phase − ω·Delay)), whether the rig has a gain and delay or a table.
func TestEditChannel(t *testing.T) {
	r, err := rig.Load(filepath.Join("..", "..", "..", "..", "testdata", "rigs", "square-bench.rig.yaml"), rig.Options{})
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		channel string
		move    calibration.ChannelMove
	}{
		{"rx2", calibration.ChannelMove{Gain: 1.02, Delay: 2e-7}},
		{"rx2", calibration.ChannelMove{Gain: -0.98, Delay: -1e-7}},
		{"needle", calibration.ChannelMove{Gain: 0.97, Phase: 0.03, Delay: 3e-7}},
		{"needle", calibration.ChannelMove{Gain: -1.01, Delay: 1e-7}},
	} {
		i, _ := r.ChannelIndex(c.channel)
		e := r.Edit()
		if err := editChannel(e, r, i, c.move); err != nil {
			t.Fatal(err)
		}
		text, err := e.Text()
		if err != nil {
			t.Fatal(err)
		}
		after, err := rig.Parse("after.rig.yaml", text, rig.Options{})
		if err != nil {
			t.Fatal(err)
		}
		for _, hz := range []float64{1000, 5000, 20000} { // rows of the table
			was, err := r.Channels[i].Response(hz)
			if err != nil {
				t.Fatal(err)
			}
			is, err := after.Channels[i].Response(hz)
			if err != nil {
				t.Fatal(err)
			}
			want := was * cmplx.Rect(c.move.Gain, c.move.Phase-2*math.Pi*hz*c.move.Delay)
			if cmplx.Abs(is-want) > 1e-12*cmplx.Abs(want) {
				t.Errorf("%s at %g Hz: %v, want %v", c.channel, hz, is, want)
			}
		}
	}
	i, _ := r.ChannelIndex("rx1")
	if err := editChannel(r.Edit(), r, i, calibration.ChannelMove{Gain: 1, Phase: 0.1}); !errors.Is(err, ErrPhase) {
		t.Errorf("a phase on a channel of gain and delay: %v", err)
	}
}
