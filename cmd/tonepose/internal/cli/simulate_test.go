package cli

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

const simulateRig = `name: invented
sample_rate_hz: 50000
working_volume: {min_m: [-0.2, -0.2, 0.05], max_m: [0.2, 0.2, 0.3]}
channels:
- {name: rx1, full_scale_v: 0.0001, gain: 100}
- {name: drive, full_scale_v: 2}
emitters:
- name: e1
  tone_hz: 5000
  current_a_peak: 0.5
  model: {type: loop, center_m: [0, 0, 0], axis: [0, 0, 1], radius_m: 0.1, turns: 10}
  reference: {channel: drive, transimpedance_ohm: 2}
sensors:
- {name: probe, coils: [{channel: rx1, center_m: [0, 0, 0], axis: [0, 0, 1], area_turns_m2: 0.002}]}
`

func TestSimulateSummaryAndClippingWarning(t *testing.T) {
	dir := t.TempDir()
	rigFile, out := filepath.Join(dir, "bench.rig.yaml"), filepath.Join(dir, "run")
	if err := os.WriteFile(rigFile, []byte(simulateRig), 0o644); err != nil {
		t.Fatal(err)
	}
	var stdout, stderr bytes.Buffer
	code := Run(t.Context(), []string{"simulate", rigFile, "--path", "stations", "--duration", "300ms", "--out", out, "--json"},
		Streams{Out: &stdout, Err: &stderr})
	if code != 0 {
		t.Fatalf("exit code %d: %s", code, &stderr)
	}
	var sum struct {
		Recording, Truth, Intervals string
		Samples                     int64
		Clipped                     []int64 `json:"clipped_samples"`
	}
	if err := json.Unmarshal(stdout.Bytes(), &sum); err != nil {
		t.Fatal(err)
	}
	if sum.Samples != 15000 || len(sum.Clipped) != 2 || sum.Clipped[0] == 0 || sum.Clipped[1] != 0 {
		t.Errorf("summary %+v: want 15000 samples, clipped on rx1 only", sum)
	}
	if !strings.Contains(stderr.String(), "channel rx1") {
		t.Errorf("stderr %q does not warn of rx1", &stderr)
	}
	// 300 ms hold the whole of the first three stations.
	text, err := os.ReadFile(sum.Intervals)
	if err != nil {
		t.Fatal(err)
	}
	if n := strings.Count(string(text), "\n"); n != 4 {
		t.Errorf("%d lines of intervals, want a header and 3 stations:\n%s", n, text)
	}
}

func TestSimulateRefusesBadCalls(t *testing.T) {
	dir := t.TempDir()
	rigFile, out := filepath.Join(dir, "bench.rig.yaml"), filepath.Join(dir, "run")
	if err := os.WriteFile(rigFile, []byte(simulateRig), 0o644); err != nil {
		t.Fatal(err)
	}
	for want, extra := range map[string][]string{
		"--path and --out must both be given":   {},
		`--mains 55: must be 50, 60 or 0`:       {"--path", "sweep", "--out", out, "--mains", "55"},
		`--noise -1: must be at least 0`:        {"--path", "sweep", "--out", out, "--noise", "-1"},
		"built-in paths are stations and sweep": {"--path", filepath.Join(dir, "nosuch"), "--out", out},
		`--start yesterday: want a time such`:   {"--path", "sweep", "--out", out, "--start", "yesterday"},
	} {
		var stdout, stderr bytes.Buffer
		code := Run(t.Context(), append([]string{"simulate", rigFile}, extra...), Streams{Out: &stdout, Err: &stderr})
		if code != 2 || !strings.Contains(stderr.String(), want) {
			t.Errorf("%v: exit code %d, %q; want 2 and %q", extra, code, &stderr, want)
		}
	}
}

// --quiet leaves the files, and no word of them.
func TestQuietCommandsPrintNothing(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	planned, recording := filepath.Join(dir, "planned.rig.yaml"), filepath.Join(dir, "run")
	for file, args := range map[string][]string{
		planned:                   {"plan", planRigs + "ring-to-plan.rig.yaml", "--rig-out", planned, "--high", "15000", "--quiet"},
		recording + ".sigmf-data": {"simulate", planRigs + "pipe-bench.rig.yaml", "--path", "sweep", "--duration", "10ms", "--out", recording, "--quiet"},
	} {
		var stdout, stderr bytes.Buffer
		if code := Run(t.Context(), args, Streams{Out: &stdout, Err: &stderr}); code != 0 || stdout.Len()+stderr.Len() > 0 {
			t.Errorf("%v: exit code %d, %q, %q", args, code, &stdout, &stderr)
		}
		if _, err := os.Stat(file); err != nil {
			t.Error(err)
		}
	}
}
