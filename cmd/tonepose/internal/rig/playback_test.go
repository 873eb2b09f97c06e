package rig

import (
	"errors"
	"math"
	"strings"
	"testing"

	"tonepose/fieldmodels"
)

// A recorder that plays the drives: when the file began, and what is stated of
// currents that nothing measures.
func TestSoundCard(t *testing.T) {
	rg := load(t, "sound-card.rig.yaml")
	if rg.Playback == nil || *rg.Playback != (Playback{EarliestS: 0.05, LatestS: 0.25}) {
		t.Errorf("playback is %+v", rg.Playback)
	}
	if e := rg.Emitters[1]; e.PhaseDeg != 83 || e.Tolerance != (Tolerance{Current: 0.02, PhaseDeg: 2}) {
		t.Errorf("e2 is %+v", e)
	}
	// A coupling goes with the current as with the turns: the tolerance is that of the
	// strength, the last parameter of each emitter.
	a, err := rg.Array()
	if err != nil {
		t.Fatal(err)
	}
	for i := range a.Covariance.SymmetricDim() {
		for j := range i + 1 {
			want := 0.0
			if i == j && i%fieldmodels.ParametersPerEmitter == fieldmodels.ParametersPerEmitter-1 {
				want = 0.02 * 0.02
			}
			if got := a.Covariance.At(i, j); math.Abs(got-want) > 1e-18 {
				t.Errorf("covariance of %d and %d is %g, want %g", i, j, got, want)
			}
		}
	}
}

func TestPlaybackIsWrittenBack(t *testing.T) {
	e := load(t, "sound-card.rig.yaml").Edit()
	e.SetNumber("playback.latest_s", 0.2)
	e.SetNumber("emitters[0].tolerance.current", 0.01)
	text, err := e.Text()
	if err != nil {
		t.Fatal(err)
	}
	rg, err := Parse("changed", text, Options{})
	if err != nil || rg.Playback.LatestS != 0.2 || rg.Emitters[0].Tolerance != (Tolerance{Current: 0.01, PhaseDeg: 2}) {
		t.Errorf("%+v, %v", rg, err)
	}
}

func TestBadPlayback(t *testing.T) {
	text := string(load(t, "sound-card.rig.yaml").Text)
	for _, c := range []struct{ old, new, want, hint string }{
		{"latest_s: 0.25", "latest_s: 0.05", "playback.latest_s = 0.05: must exceed earliest_s, which is 0.05", "in seconds"},
		{"latest_s: 0.25", "latest_s: 30", "playback.latest_s = 30: must be within 10 s of earliest_s, which is 0.05", "closer"},
		{", latest_s: 0.25", "", "playback.latest_s: is missing", "in seconds"},
		{"latest_s: 0.25", "latest_ms: 250", "playback.latest_ms = 250: unknown key", "write latest_s: 0.25"},
		{"{current: 0.02, phase_deg: 2}", "{phase_deg: 2}", "emitters[0].tolerance.current: is missing", "{current: 0.02}"},
		{"{current: 0.02, phase_deg: 2}", "{current: 0, phase_deg: 2}", "emitters[0].tolerance.current = 0: must be positive", "{current: 0.02}"},
	} {
		changed := strings.Replace(text, c.old, c.new, 1)
		if changed == text {
			t.Fatalf("%q is not in the rig", c.old)
		}
		_, err := Parse("card.yaml", []byte(changed), Options{})
		var all Errors
		if !errors.As(err, &all) || len(all) != 1 || !strings.Contains(err.Error(), c.want) || !strings.Contains(all[0].Hint, c.hint) {
			t.Errorf("%s: %+v, want %q (%s)", c.new, err, c.want, c.hint)
		}
	}
}

// What a reference measures is not stated beside it, and goes with no playback.
func TestReferenceAndStatedCurrents(t *testing.T) {
	const reference = "reference: {channel: drive, transimpedance_ohm: 0.5}"
	for _, c := range []struct{ old, new, want string }{
		{reference, reference + "\n  tolerance: {current: 0.01}", "13: emitters[0].tolerance.current = 0.01: stands beside reference"},
		{reference, reference + "\n  tolerance: {phase_deg: 1}", "13: emitters[0].tolerance.phase_deg = 1: stands beside reference"},
		{"emitters:", "playback: {earliest_s: 0, latest_s: 1}\nemitters:", "emitters[0].reference = {channel: drive, transimpedance_ohm: 0.5}: stands beside playback"},
		{"emitters:", "playback: {earliest_s: 0, latest_s: 1}\nemitters:", "emitters[1].tolerance.current: is missing"},
	} {
		_, err := Parse("bench.rig.yaml", []byte(strings.Replace(bench, c.old, c.new, 1)), Options{})
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%v, want %q", err, c.want)
		}
	}
}
