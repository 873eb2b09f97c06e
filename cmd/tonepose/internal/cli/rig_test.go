package cli

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/cmd/tonepose/internal/skeleton"
)

// Every skeleton is a rig file that reads, of which nothing is doubted, and plan finds
// tones for it, with which it can locate the probe, and no channel clips.
func TestRigNewCanBePlanned(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	for i, args := range [][]string{
		{"--layout", "ring", "--emitters", "7", "--coils", "3"},
		{"--layout", "grid", "--emitters", "9", "--coils", "2"},
		{"--channels", "sound-card", "--emitters", "6", "--coils", "2"},
		{"--layout", "plate", "--emitters", "6", "--coils", "1", "--size", "120mm"},
	} {
		file := filepath.Join(dir, string(rune('a'+i))+".rig.yaml")
		command(t, append([]string{"rig", "new", "--out", file}, args...)...)
		checked := command(t, "rig", "check", file, "--json")
		var u struct {
			Emitters int      `json:"emitters"`
			Warnings []string `json:"warnings"`
		}
		if err := json.Unmarshal([]byte(checked), &u); err != nil || u.Emitters < 6 || len(u.Warnings) > 0 {
			t.Errorf("%v: %s, %v", args, checked, err)
		}
		p := planned(t, file)
		if s := p.Sensors[0]; s.Blind > 0 || s.Position.Median > 1e-3 {
			t.Errorf("%v: %d of %d poses blind, %g m median", args, s.Blind, s.Poses, s.Position.Median)
		}
		if said := strings.Join(p.Cautions, "\n"); strings.Contains(said, "clip") || strings.Contains(said, "conflict") {
			t.Errorf("%v: %s", args, said)
		}
		if _, err := p.Planned(); err != nil {
			t.Errorf("%v: %v", args, err)
		}
	}
	for _, layout := range skeleton.Layouts {
		for n := 1; n <= 64; n += 1 + n/8 { // each up to 8, rows that are full and not, 64
			text := skeleton.Rig(skeleton.Options{Name: "x", Layout: layout, Emitters: n, SizeM: 0.3, Coils: 1 + n%3, SoundCard: n%2 == 0, RateHz: 48000})
			r, err := rig.Parse("new", []byte(text), rig.Options{AllowMissingTones: true})
			if err != nil {
				t.Fatalf("%s of %d: %v", layout, n, err)
			}
			// What a calibration speaks in is stated of every coil.
			for _, e := range r.Emitters {
				if to := e.Tolerance; to.CenterM == 0 || to.AxisRad == 0 || to.Strength == 0 {
					t.Errorf("%s of %d: tolerance of %s is %+v", layout, n, e.Name, to)
				}
			}
			for _, c := range r.Sensors[0].Coils {
				if to := c.Tolerance; to.CenterM == 0 || to.AxisRad == 0 || to.Sensitivity == 0 {
					t.Errorf("%s of %d: tolerance of coil on channel %d is %+v", layout, n, c.Channel, to)
				}
			}
		}
	}
}

// What is hardly meant is said, each once, also where it is the same of all emitters.
func TestRigCheckDoubts(t *testing.T) {
	text, err := os.ReadFile(planRigs + "pipe-bench.rig.yaml")
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	for name, c := range map[string]struct{ old, new, want string }{
		"far":    {"center_m: [0.2,", "center_m: [150,", "its centre is farther from the working volume"},
		"large":  {"radius_m: 0.035", "radius_m: 30", "all 8 emitters, as e1 (30 m): it is larger than ten times the working volume: are these millimetres?"},
		"volume": {"max_m: [0.2, 0.2, 0.4]", "max_m: [20, 20, 40]", "m from corner to corner is more than coils reach"},
		"amps":   {"current_a_peak: 0.5", "current_a_peak: 500", "all 8 emitters, as e1 (500 A): current_a_peak is more than a bench drives: are these milliamperes?"},
		"area":   {"area_turns_m2: 0.00", "area_turns_m2: 400", "all 3 pickup coils, as probe rx1 (4004 m²): area_turns_m2 is more than a pickup has: are these square millimetres?"},
		"volts":  {"full_scale_v: 2.5", "full_scale_v: 2500", "all 4 channels, as rx1 (2500 V): full_scale_v is more than a converter takes: are these millivolts?"},
		"tone":   {"tone_hz: 5125.0", "tone_hz: 5.125", "e1 (5.125 Hz): tone_hz is as low as mains: is this kHz?"},
	} {
		changed := strings.ReplaceAll(string(text), c.old, c.new)
		if changed == string(text) {
			t.Errorf("%s: pipe-bench has no %q", name, c.old)
		}
		file := filepath.Join(dir, name+".rig.yaml")
		if err := os.WriteFile(file, []byte(changed), 0o644); err != nil {
			t.Fatal(err)
		}
		var out, errs bytes.Buffer
		if code := Run(t.Context(), []string{"rig", "check", file}, Streams{Out: &out, Err: &errs}); code != 0 || strings.Count(errs.String(), c.want) < 1 || !strings.Contains(out.String(), c.want) {
			t.Errorf("%s: code %d: %s", name, code, &errs)
		}
		if strings.HasPrefix(c.want, "all ") && strings.Count(errs.String(), "warning") != 1 {
			t.Errorf("%s: said more than once: %s", name, &errs)
		}
	}
}

func TestRigCheckDrawsAndSchemaIsJSON(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "drawing")
	text := command(t, "rig", "check", planRigs+"ring-to-plan.rig.yaml", "--out", dir)
	if !strings.Contains(text, "open") || !strings.Contains(text, "Sensors") {
		t.Errorf("understood: %s", text)
	}
	if info, err := os.Stat(filepath.Join(dir, "bench.png")); err != nil || info.Size() < 1000 {
		t.Errorf("drawing: %v", err)
	}
	if s := command(t, "rig", "schema"); !json.Valid([]byte(s)) || !strings.Contains(s, "area_turns_m2") {
		t.Errorf("schema %.100s", s)
	}
}
