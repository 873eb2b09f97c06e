package cli

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"tonepose/cmd/tonepose/internal/inspect"
	"tonepose/multitone/synth"
)

// Invented bench of three emitters, one of which is silent.
const inspectRig = `name: invented
sample_rate_hz: 50000
working_volume: {min_m: [-0.2, -0.2, 0.05], max_m: [0.2, 0.2, 0.3]}
channels:
- {name: rx1, full_scale_v: 0.1}
- {name: drive, full_scale_v: 2}
emitters:
- name: e1
  tone_hz: 5000
  current_a_peak: 0.5
  model: {type: loop, center_m: [0, 0, 0], axis: [0, 0, 1], radius_m: 0.1, turns: 10}
  reference: {channel: drive, transimpedance_ohm: 2}
- name: e2
  tone_hz: 6310
  current_a_peak: 0.5
  model: {type: loop, center_m: [0.1, 0, 0], axis: [0, 0, 1], radius_m: 0.1, turns: 10}
  reference: {channel: drive, transimpedance_ohm: 2}
- name: e3
  tone_hz: 7730
  current_a_peak: 0.5
  model: {type: loop, center_m: [0, 0.1, 0], axis: [0, 0, 1], radius_m: 0.1, turns: 10}
  reference: {channel: drive, transimpedance_ohm: 2}
sensors:
- {name: probe, coils: [{channel: rx1, center_m: [0, 0, 0], axis: [0, 0, 1], area_turns_m2: 0.002}]}
`

// Everything that is put into a simulated recording must be found and named:
// noise and its flicker corner, the mains, the drives' offset, distortion
// products, an alias, a line of unknown origin, a silent drive.
func TestInspectNamesWhatIsThere(t *testing.T) {
	t.Parallel()
	const ppm, density, corner = 30.0, 100e-9, 400.0
	lines := []struct {
		hz, peak float64 // at the bench's nominal clock
		name     string
	}{
		{5000, 2e-3, ""}, {6310, 1e-3, ""}, // e1 and e2: 3 kΩ·A … of coupling do not matter here
		{2*5000 - 6310, 40e-6, "2 × e1 − e2"},
		{3 * 5000, 60e-6, "3 × e1"},
		{50000 - 5*6310, 30e-6, "alias of 5 × e2"},
		{2222.2, 50e-6, ""},
	}
	config := synth.Config{Rate: 50e3, Samples: 500e3, Seed: 11, ClockPPM: ppm, Mains: synth.Mains{Hz: 60.02, Harmonics: 3},
		Channels: []synth.Channel{
			{Noise: synth.Noise{Density: density, Corner: corner}, Mains: 1e-3, Offset: 5e-3},
			{Noise: synth.Noise{Density: 1e-6}},
		}}
	for i, l := range lines {
		tone := synth.Tone{Hz: l.hz, Current: 1, Phase: float64(i)}
		drive := complex(0, 0)
		if i < 2 {
			drive = 1 // 0.5 A on 2 Ω
		}
		if strings.HasPrefix(l.name, "alias") {
			// The product moves with the generator's clock, its alias against it.
			tone.OffsetPPM = -ppm - 5*6310*ppm/l.hz
		}
		if i == len(lines)-1 {
			tone.OffsetPPM = -ppm
		}
		config.Tones = append(config.Tones, tone)
		config.Channels[0].Transimpedance = append(config.Channels[0].Transimpedance, complex(l.peak, 0))
		config.Channels[1].Transimpedance = append(config.Channels[1].Transimpedance, drive)
	}
	dir := t.TempDir()
	rigName, out := filepath.Join(dir, "bench.rig.yaml"), filepath.Join(dir, "look")
	if err := os.WriteFile(rigName, []byte(inspectRig), 0o644); err != nil {
		t.Fatal(err)
	}
	file := simulated(t, config)
	args := append(append([]string{"inspect"}, file...), "--rig", rigName)
	var in inspect.Inspection
	if err := json.Unmarshal([]byte(tonepose(t, append(args, "--json", "--out", out)...)), &in); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"spectrum.png", "spectrum.svg", "stability.png", "stability.svg"} {
		if info, err := os.Stat(filepath.Join(out, name)); err != nil || info.Size() == 0 {
			t.Errorf("%s: %v", name, err)
		}
	}
	rx := in.Channels[0]
	if math.Abs(rx.WhiteDensity/density-1) > 0.03 {
		t.Errorf("noise density %.4g V/√Hz, put in %.4g", rx.WhiteDensity, density)
	}
	if math.Abs(rx.FlickerCorner-corner) > 4*rx.SigmaCorner || rx.SigmaCorner > 0.2*corner {
		t.Errorf("flicker corner %.4g ± %.2g Hz, put in %g", rx.FlickerCorner, rx.SigmaCorner, corner)
	}
	if math.Abs(rx.DC-5e-3) > 1e-4 {
		t.Errorf("offset %g V", rx.DC)
	}
	if in.Mains == nil || in.Mains.Family != 60 || math.Abs(in.Mains.Hz-60.02) > 0.01 || len(in.Mains.Harmonics) != 3 {
		t.Fatalf("mains %+v", in.Mains)
	}
	for i, h := range in.Mains.Harmonics {
		// harmonic n has 1/n of the fundamental's amplitude
		if want := 1e-3 / float64(i+1); math.Abs(h.Peak/want-1) > 0.05 || h.Channel != "rx1" {
			t.Errorf("mains harmonic %+v, want %g V", h, want)
		}
	}
	for k, want := range []float64{2e-3, 1e-3} {
		tone := in.Tones[k]
		l := tone.Levels[0]
		if math.Abs(l.Peak/want-1) > 1e-3 || math.Abs(tone.CurrentA/0.5-1) > 1e-4 || math.Abs(in.ClockPPM[k]-ppm) > 0.01 {
			t.Errorf("%s: %.5g V peak, %.5g A, %.4f ppm", tone.Name, l.Peak, tone.CurrentA, in.ClockPPM[k])
		}
		// flicker adds corner/f to the white density squared
		beside := density * math.Sqrt(1+corner/tone.Hz)
		if math.Abs(l.Density/beside-1) > 0.1 || math.Abs(l.InBand-20*math.Log10(want/math.Sqrt2/beside)) > 1 {
			t.Errorf("%s: density beside it %.4g V/√Hz, %.2f dB, want %.4g", tone.Name, l.Density, l.InBand, beside)
		}
	}
	for _, l := range lines[2:] {
		found := false
		for _, seen := range in.Lines {
			if math.Abs(seen.Hz-l.hz) > 1 {
				continue
			}
			found = true
			if math.Abs(seen.Peak/l.peak-1) > 0.1 {
				t.Errorf("line at %g Hz: %.4g V, put in %.4g", l.hz, seen.Peak, l.peak)
			}
			if seen.Name != l.name {
				t.Errorf("line at %g Hz is named %q (%s), want %q", l.hz, seen.Name, seen.Kind, l.name)
			}
		}
		if !found {
			t.Errorf("line at %g Hz is not listed", l.hz)
		}
	}
	// One false line in a thousand spectra: two are looked at.
	if len(in.Lines) > 5 {
		t.Errorf("%d lines: %+v", len(in.Lines), in.Lines)
	}
	findings := strings.Join(in.Findings, "\n")
	for _, want := range []string{"tone e3 at 7730", "reference on channel drive is lost", "reference lost or too small: tone e3 on channel drive"} {
		if !strings.Contains(findings, want) {
			t.Errorf("findings do not mention %q:\n%s", want, findings)
		}
	}
	text := tonepose(t, args...)
	for _, want := range []string{"rx1", "flicker below", "mains (60.0", "2 × e1 − e2", "clock offset of the drives 30.0", "unknown", "note: "} {
		if !strings.Contains(text, want) {
			t.Errorf("the printed text does not hold %q:\n%s", want, text)
		}
	}
}

// Every recording of the bench can be looked at, without a rig too.
func TestInspectRecordings(t *testing.T) {
	t.Parallel()
	for name, rigName := range map[string]string{
		"pipe-bench-moving.sigmf-meta": "pipe-bench.rig.yaml", "pipe-bench-metal.npy": "pipe-bench.rig.yaml",
		"micro-coil-below-noise.wav": "micro-coil.rig.yaml", "one-microvolt.csv": "",
	} {
		args := []string{"inspect", recordingFile(name), "--json"}
		if rigName != "" {
			args = append(args, "--rig", rigFile(rigName))
		}
		var in inspect.Inspection
		if err := json.Unmarshal([]byte(tonepose(t, args...)), &in); err != nil {
			t.Fatal(err)
		}
		if rigName != "" && (in.Mains == nil || in.Mains.Family != 50 || len(in.Tones) == 0) {
			t.Errorf("%s: mains %+v, %d tones", name, in.Mains, len(in.Tones))
		}
		if len(in.Events) != 0 {
			t.Errorf("%s: faults %+v", name, in.Events)
		}
	}
}

// A pickup that the rig believes to be 200 ns faster than it is, and one that
// picks up the drive through 0.2 mΩ, are told apart by how the couplings' phases
// go with frequency.
func TestInspectHintsAtCrosstalk(t *testing.T) {
	const delay, crosstalk = 200e-9, 0.2e-3
	tones := []float64{2110, 3410, 5030, 7090, 9170}
	text := "name: invented\nsample_rate_hz: 50000\nworking_volume: {min_m: [-0.2, -0.2, 0.05], max_m: [0.2, 0.2, 0.3]}\n" +
		"channels:\n- {name: rx1, full_scale_v: 0.1}\n- {name: rx2, full_scale_v: 0.1}\n- {name: drive, full_scale_v: 2}\nemitters:\n"
	config := synth.Config{Rate: 50e3, Samples: 200e3, Seed: 21, Channels: []synth.Channel{
		{Pickup: true, Delay: delay, Noise: synth.Noise{Density: 50e-9}},
		{Pickup: true, Noise: synth.Noise{Density: 50e-9}},
		{Noise: synth.Noise{Density: 1e-6}},
	}}
	for k, hz := range tones {
		text += fmt.Sprintf("- {name: e%d, tone_hz: %g, current_a_peak: 0.5, model: {type: loop, center_m: [%g, 0, 0], axis: [0, 0, 1], radius_m: 0.1, turns: 10}, reference: {channel: drive, transimpedance_ohm: 0.5}}\n", k+1, hz, 0.05*float64(k))
		config.Tones = append(config.Tones, synth.Tone{Hz: hz, Current: 0.5, Phase: float64(k)})
		config.Channels[1].Transimpedance = append(config.Channels[1].Transimpedance, crosstalk)
		config.Channels[2].Transimpedance = append(config.Channels[2].Transimpedance, 0.5)
	}
	text += "sensors:\n- {name: probe, coils: [{channel: rx1, center_m: [0, 0, 0], axis: [0, 0, 1], area_turns_m2: 0.002}, {channel: rx2, center_m: [0, 0, 0.01], axis: [1, 0, 0], area_turns_m2: 0.002}]}\n"
	config.Couplings = func(_ float64, m, dm []complex128) error {
		for i := range m {
			m[i], dm[i] = complex(1e-6*(1+0.3*float64(i%len(tones))), 0), 0
		}
		return nil
	}
	rigName := filepath.Join(t.TempDir(), "bench.rig.yaml")
	if err := os.WriteFile(rigName, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	var in inspect.Inspection
	if err := json.Unmarshal([]byte(tonepose(t, append(append([]string{"inspect"}, simulated(t, config)...), "--rig", rigName, "--json")...)), &in); err != nil {
		t.Fatal(err)
	}
	if len(in.Pickups) != 2 {
		t.Fatalf("pickups %+v", in.Pickups)
	}
	late, leaky := in.Pickups[0], in.Pickups[1]
	// 5 sigmas: each is one of four numbers with a fixed seed
	if math.Abs(late.DelayS-delay) > 5*late.SigmaDelayS || math.Abs(late.CrosstalkOhm) > 5*late.SigmaCrosstalk || late.SigmaDelayS > delay/10 {
		t.Errorf("late pickup: delay %.3g ± %.2g s, crosstalk %.3g ± %.2g Ω", late.DelayS, late.SigmaDelayS, late.CrosstalkOhm, late.SigmaCrosstalk)
	}
	if math.Abs(leaky.CrosstalkOhm-crosstalk) > 5*leaky.SigmaCrosstalk || math.Abs(leaky.DelayS) > 5*leaky.SigmaDelayS || leaky.SigmaCrosstalk > crosstalk/10 {
		t.Errorf("leaky pickup: delay %.3g ± %.2g s, crosstalk %.3g ± %.2g Ω", leaky.DelayS, leaky.SigmaDelayS, leaky.CrosstalkOhm, leaky.SigmaCrosstalk)
	}
	findings := strings.Join(in.Findings, "\n")
	if !strings.Contains(findings, "rx1: phases of the couplings are shifted as by a delay") || !strings.Contains(findings, "rx2: phases of the couplings are shifted as by crosstalk") {
		t.Errorf("findings:\n%s", findings)
	}
}

// A sensor that turns in the mains field spreads each harmonic over its
// neighbours; still the family is known up to its end, and no harmonic is called
// another line. The windows of the phase noise are rectangular and shorter than the
// mains' period.
func TestInspectMainsInMotion(t *testing.T) {
	dir := t.TempDir()
	recording := filepath.Join(dir, "sweep")
	tonepose(t, "simulate", rigFile("pipe-bench.rig.yaml"), "--path", "sweep", "--duration", "1s", "--noise", "8e-9", "--mains", "50",
		"--clock-ppm", "20", "--out", recording) // else the tones' common period makes lines of the quantising
	var in inspect.Inspection
	if err := json.Unmarshal([]byte(tonepose(t, "inspect", recording, "--rig", rigFile("pipe-bench.rig.yaml"), "--json")), &in); err != nil {
		t.Fatal(err)
	}
	if in.Mains == nil {
		t.Fatal("no mains seen")
	}
	// simulate's mains are 50 Hz ± 0.05 %; over 1 s the 80th harmonic is known to a
	// tenth of a hertz, the fundamental to a millihertz, to which a grid's wander is added
	if math.Abs(in.Mains.Hz-50) > 0.025+3e-3 || in.Mains.SigmaHz > 0.011 {
		t.Errorf("mains %g ± %g Hz", in.Mains.Hz, in.Mains.SigmaHz)
	}
	if last := in.Mains.Harmonics[len(in.Mains.Harmonics)-1].Number; last < 70 || last > 81 {
		t.Errorf("the last harmonic is %d, want about 80", last)
	}
	for _, l := range in.Lines {
		n := math.Round(l.Hz / in.Mains.Hz)
		if n >= 1 && n <= 80 && math.Abs(l.Hz-n*in.Mains.Hz) < 1 {
			t.Errorf("harmonic %g of the mains is called %q at %g Hz", n, l.Name, l.Hz)
		}
	}
}

// Figures come in the formats that are asked for; others are refused before anything is
// read.
func TestFigureFormats(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "look")
	tonepose(t, "inspect", recordingFile("pipe-bench-metal.npy"), "--rig", rigFile("pipe-bench.rig.yaml"), "--out", dir, "--figures", "pdf, svg", "--quiet")
	for name, begins := range map[string]string{"spectrum.pdf": "%PDF", "spectrum.svg": "<?xml", "spectrum.png": ""} {
		text, err := os.ReadFile(filepath.Join(dir, name))
		if (err == nil) != (begins != "") || !strings.HasPrefix(string(text), begins) {
			t.Errorf("%s begins with %.5q: %v", name, text, err)
		}
	}
	var errs bytes.Buffer
	code := Run(t.Context(), []string{"inspect", "none.wav", "--figures", "svg,gif"}, Streams{Out: &bytes.Buffer{}, Err: &errs})
	if code != 2 || !strings.Contains(errs.String(), `--figures svg,gif`) || !strings.Contains(errs.String(), "png, svg or pdf") {
		t.Errorf("exit code %d: %s", code, &errs)
	}
}
