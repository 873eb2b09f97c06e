package cli

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// A recorder that plays the drives and records two pickups: every command says what it
// takes in the place of a digitised drive, and what that costs; those that need one
// say so.
func TestSoundCard(t *testing.T) {
	t.Parallel()
	dir, rig := t.TempDir(), rigFile("sound-card.rig.yaml")
	at := func(name string) string { return filepath.Join(dir, name) }
	tonepose(t, "simulate", rig, "--path", "sweep", "--duration", "300ms", "--noise", "8e-9", "--seed", "3", "--out", at("run"), "--quiet")
	sum, said := solved(t, at("out"), at("run"), "--rig", rig, "--window", "20ms")
	s := sum.Start
	if s == nil || s.Seconds < 0.05-s.SigmaS || s.Seconds > 0.25+s.SigmaS || len(s.Rivals) > 0 || s.PositionSigmaM < 2*s.NoiseSigmaM || strings.Contains(said, "drive") {
		t.Errorf("%+v, said %q", s, said)
	}
	const words = "currents are taken as stated, to 2 %: positions are known to "
	for _, args := range [][]string{
		{"solve", at("run"), "--rig", rig, "--window", "20ms", "--out", at("again")},
		{"inspect", at("run"), "--rig", rig},
	} {
		if out := tonepose(t, args...); !strings.Contains(out, "no drive is digitised: its file began at 0.") || !strings.Contains(out, words) {
			t.Errorf("%s does not say what it costs:\n%s", args[0], out)
		}
	}
	if out := tonepose(t, "plan", rig); !strings.Contains(out, "no drive is digitised: with currents known to 2 % position errors come to ") {
		t.Errorf("plan does not say what it costs:\n%s", out)
	}
	reference := "start_s,stop_s,x_m,y_m,z_m,qw,qx,qy,qz,sigma_position_m,sigma_rotation_rad\n0,0.1,0,0,0.1,1,0,0,0,1e-4,1e-3\n"
	if err := os.WriteFile(at("reference.csv"), []byte(reference), 0o666); err != nil {
		t.Fatal(err)
	}
	for want, args := range map[string][]string{
		"baseline: crosstalk from the drives needs a digitised drive": {"solve", at("run"), "--rig", rig, "--window", "20ms", "--out", at("crosstalk"), "--baseline", at("run")},
		"calibrating needs a digitised drive":                         {"calibrate", at("run"), "--rig", rig, "--intervals", at("reference.csv"), "--out", at("built.rig.yaml")},
	} {
		var out, errs bytes.Buffer
		if code := Run(t.Context(), args, Streams{Out: &out, Err: &errs}); code != 2 || !strings.Contains(errs.String(), want) {
			t.Errorf("%s: exit code %d, said %q", args[0], code, errs.String())
		}
	}
}
