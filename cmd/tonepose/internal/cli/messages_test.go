package cli

import (
	"bytes"
	"encoding/binary"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// What people wrote and were not helped by the answer: each now gets value, place and
// mend, and nothing is left behind.
func TestMessagesNameTheMend(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	in := func(name string) string { return filepath.Join(dir, name) }
	const pipe, recorded = planRigs + "pipe-bench.rig.yaml", "../../../../testdata/recordings/pipe-bench-stations.sigmf-meta"
	text, err := os.ReadFile(pipe)
	if err != nil {
		t.Fatal(err)
	}
	// rig is a copy of the pipe bench with one thing changed everywhere.
	rig := func(name, old, new string) string {
		if !bytes.Contains(text, []byte(old)) {
			t.Fatalf("%s: no %q to change", name, old)
		}
		if err := os.WriteFile(in(name), bytes.ReplaceAll(text, []byte(old), []byte(new)), 0o600); err != nil {
			t.Fatal(err)
		}
		return in(name)
	}
	blank := in("blank.csv")
	if code := Run(t.Context(), []string{"plan", pipe, "--stations", blank, "--quiet"}, Streams{Out: new(bytes.Buffer), Err: new(bytes.Buffer)}); code != 0 {
		t.Fatalf("plan --stations: exit code %d", code)
	}
	give := func(name, text string) string {
		if err := os.WriteFile(in(name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return in(name)
	}
	out := in("out")
	solve := func(rest ...string) []string { return append([]string{"solve", recorded, "--out", out}, rest...) }
	plan := func(rest ...string) []string { return append([]string{"plan", pipe}, rest...) }
	calibrate := func(rest ...string) []string {
		return append([]string{"calibrate", recorded, "--rig", pipe, "--intervals", blank, "--out", out}, rest...)
	}
	for _, c := range []struct {
		args []string
		want []string
	}{
		{solve("--rig", planRigs+"ring-to-plan.rig.yaml"), []string{":12: emitters[0].tone_hz: is missing", "tonepose plan --rig-out chooses one and writes it"}},
		{solve("--rig", pipe, "--window", "40"), []string{"--window 40: has no unit: write 40ms or 40s"}},
		{[]string{"simulate", pipe, "--path", dir, "--out", out}, []string{filepath.Base(dir) + ": is a directory: name a CSV"}},
		{[]string{"inspect", recorded, "--rig", pipe, "--stations", dir}, []string{filepath.Base(dir) + ": is a directory: name a CSV"}},
		{[]string{"calibrate", recorded, "--rig", pipe, "--intervals", dir, "--out", out}, []string{filepath.Base(dir) + ": is a directory: name a CSV"}},
		{[]string{"inspect", give("bare.csv", "# nothing\n")}, []string{"bare.csv: no row of numbers", "name another, or write it again"}},
		{[]string{"rig", "check", rig("none.yaml", "gain: 1.0,", "gain: ,")}, []string{"gain: has no value", "hint: "}},
		{[]string{"batch", filepath.Dir(recorded), "--rig", pipe, "--out", blank}, []string{"blank.csv: is a file: must be a directory"}},
		{[]string{"measure", recorded, "--reference", "rx1"}, []string{"--reference rx1: --signal is missing, they go together: name the other channel, too"}},
		{[]string{"calibrate", "channels", recorded, "--rig", pipe, "--reference", "tx", "--out", out}, []string{"--reference tx: is not a channel of", "name one of rx1, rx2, rx3, drive"}},
		{[]string{"calibrate", "channels", recorded, "--rig", pipe, "--reference", "rx1", "--tones", "1e-300,2e-300", "--out", out}, []string{"does not separate the tones", "lengthen it, or put them further apart"}},
		{[]string{"simulate", "pair", "bridge", "--distance", "1m", "--out", out}, []string{"--distance: has no part in a recording of kind bridge: leave it out"}},
		{[]string{"inspect", blank, "--format", "sigmf"}, []string{"blank.csv: not a SigMF archive", "or state its own format"}},
		{plan("--wire", "24"), []string{"--wire 24: has no unit: write awg24 for a gauge, or a diameter as 0.5mm"}},
		{plan("--high", "3kV"), []string{"--high 3kV: is not a frequency: write 3kHz or, in hertz, 3000"}},
		{plan("--noise", "5nV"), []string{"--noise 5nV: is not a noise density: write 5nV/√Hz, 5nV/rtHz or, in V/√Hz, 5e-9"}},
		{plan("--accuracy", "0,1mm"), []string{"--accuracy 0,1mm: the decimal sign is a point: write 0.1mm"}},
		{plan("--seed", "1.5"), []string{"--seed 1.5: must be a whole number from 0 on"}},
		{[]string{"assess", in("nowhere"), "--truth", blank}, []string{"nowhere", "name a folder that solve, measure, live or batch wrote (--out)"}},
		{[]string{"export", in("nowhere")}, []string{"nowhere", "name a folder that solve, measure, live or batch wrote (--out)"}},
		{[]string{"workbench", in("nowhere")}, []string{"nowhere", "name a folder of solved tables, a recording, a live source, or nothing for the virtual bench"}},
		{[]string{"rig", "new", in("mine.rig.yaml")}, []string{"mine.rig.yaml: tonepose rig new takes no name", "mine.rig.yaml writes it there"}},
		{[]string{"rig", pipe}, []string{"pipe-bench.rig.yaml: is no command of rig", "tonepose rig check"}},
		{calibrate("--length", "e1,e5,400,mm"), []string{"--length e1,e5,400,mm: mm: is not a length: write 30mm or, in metres, 0.03"}},
		{calibrate("--length", "e1,e5,0.4"), []string{"must be two emitters, their distance and its one sigma, as e1,e5,400mm,0.1mm"}},
		{calibrate("--length", "e1,e5,400mm,0"), []string{"0: must be positive"}},
		{plan("--out", pipe), []string{"pipe-bench.planned.rig.yaml: a file stands where it would have a directory: name another"}},
		{[]string{"rig", "check", dir}, []string{filepath.Base(dir) + ": is a directory: name a rig file"}},
		{[]string{"rig", "check", rig("indent.yaml", "  current_a_peak", "   current_a_peak")}, []string{"indent.yaml:12: wrong indentation", "it stands 3 spaces in; the depth of line 10 is 2"}},
		{[]string{"rig", "check", rig("rate.yaml", "sample_rate_hz", "rate")}, []string{"rate.yaml:3: rate = 100000.0: unknown key", "did you mean sample_rate_hz?"}},
		{[]string{"rig", "check", rig("loop.yaml", "type: loop", "type: Loop")}, []string{"loop.yaml:14: emitters[0].model.type = Loop: is not a model type (and in lines 24, 34", "did you mean loop?"}},
		{[]string{"rig", "check", rig("comma.yaml", "radius_m: 0.035", "radius_m: 0,035")}, []string{"emitters[0].model.radius_m = 0,035: must be a number (and in lines", "the decimal sign is a point: 0.035"}},
		{[]string{"rig", "check", rig("commas.yaml", "[0, 0, 1]", "[0,0, 0,0, 1,0]")}, []string{"must have three numbers, has 6", "the decimal sign is a point, a comma begins the next number"}},
		{solve("--rig", pipe, "--intervals", blank), []string{"blank.csv:3: start_s is empty", "inspect --stations"}},
		{solve("--rig", pipe, "--intervals", give("wide.csv", "\xff\xfes\x00t\x00")), []string{"wide.csv:1: is text in UTF-16; save it in UTF-8"}},
		{calibrate("--intervals", give("table.csv", "PAR1\x15\x06\nPAR1")), []string{"table.csv:1: is a Parquet file and no CSV", "tonepose export"}},
		{[]string{"inspect", give("object.csv", "{\n \"a\": 1\n}\n")}, []string{"object.csv:1: is JSON and no CSV"}},
		{[]string{"simulate", pipe, "--path", "sweep", "--out", in("x.mp3")}, []string{"x.mp3: .mp3 is not written: name a .wav, .npy, .csv or .sigmf-meta"}},
		{plan("--drive", in("x.mp3")), []string{"x.mp3: the name must end in .wav, .npy or .csv"}},
		{[]string{"measure", recorded, "--signal", "rx1", "--reference", "rx1"}, []string{"--signal rx1 --reference rx1: both are one channel"}},
		{[]string{"live", "-", "--signal", "rx1", "--reference", "rx1"}, []string{"--signal rx1 --reference rx1: both are one channel"}},
	} {
		before, _ := os.ReadDir(dir)
		var stdout, errs bytes.Buffer
		if code := Run(t.Context(), c.args, Streams{Out: &stdout, Err: &errs}); code != 2 {
			t.Errorf("%v: exit code %d", c.args, code)
		}
		for _, want := range c.want {
			if !strings.Contains(errs.String(), want) {
				t.Errorf("%v: no %q in\n%s", c.args, want, &errs)
			}
		}
		if after, _ := os.ReadDir(dir); len(after) != len(before) || stdout.Len() > 0 {
			t.Errorf("%v: something was left behind, or printed: %s", c.args, &stdout)
		}
	}

	// What was printed or written oddly although all was well.
	t.Run("hundred percent", func(t *testing.T) {
		page, _ := runPlanTest(t, 0, rig("loud.yaml", "gain: 100.0", "gain: 1e6"))
		if !strings.Contains(page, "can clip in up to 100 % of the working volume") {
			t.Errorf("no 100 %% in\n%s", page)
		}
	})
	t.Run("plain WAV of 24 bits", func(t *testing.T) {
		name := in("pair.wav")
		if code := Run(t.Context(), []string{"simulate", "pair", "bridge", "--out", name, "--bits", "24bit", "--duration", "100ms", "--quiet"}, Streams{Out: new(bytes.Buffer), Err: new(bytes.Buffer)}); code != 0 {
			t.Fatalf("exit code %d", code)
		}
		data, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		// RIFF WAVE (Multimedia Programming Interface and Data Specifications 1.0, 1991): the tag stands
		// behind RIFF, its size, WAVE, "fmt " and that size; 1 is PCM.
		if tag, size := binary.LittleEndian.Uint16(data[20:]), binary.LittleEndian.Uint32(data[16:]); tag != 1 || size != 16 {
			t.Errorf("format tag %#x, header of %d bytes", tag, size)
		}
	})
}

// Bare and with units, numbers are the same to the last bit.
func TestNumbersTakeUnits(t *testing.T) {
	for _, c := range []struct {
		unit unit
		text string
		want float64
	}{
		{hertz, "3kHz", 3000}, {hertz, "3000", 3000}, {hertz, "3e3 Hz", 3000}, {hertz, "44.1k", 44100}, {hertz, "0.1kHz", 100}, {hertz, "2M", 2e6},
		{density, "5nV/√Hz", 5e-9}, {density, "5 nV/rtHz", 5e-9}, {density, "5e-9", 5e-9}, {density, "0.02uV/sqrt(Hz)", 2e-8},
		{volts, "10mV", 0.01}, {volts, "5e-6", 5e-6}, {volts, "20µV", 2e-5}, {volts, "20uV", 2e-5},
		{amperes, "500mA", 0.5}, {transfer, "500mA/V", 0.5}, {ohms, "1mΩ", 1e-3}, {ohms, "2mOhm", 2e-3}, {ohms, "0.5V/A", 0.5},
		{metre, "0.1mm", 1e-4}, {metre, "3cm", 0.03}, {metre, "-20mm", -0.02}, {metre, "1.5", 1.5}, {metre, "25µm", 2.5e-5},
		{degrees, "30°", 30}, {degrees, "30deg", 30}, {degrees, "-45", -45}, {celsius, "25°C", 25}, {celsius, "-5 C", -5},
		{ppm, "25ppm", 25}, {ppm, "100ppb", 0.1}, {ppm, "0.01%", 100}, {ppmASecond, "0.1ppm/s", 0.1}, {share, "1%", 0.01}, {share, "200ppm", 2e-4},
		{decibels, "120dB", 120}, {bits, "24bit", 24}, {pureNumber, "-.5", -0.5},
	} {
		if got, err := c.unit.number(c.text); err != nil || got != c.want {
			t.Errorf("%s %q: %v, %v; want %v", c.unit.what, c.text, got, err, c.want)
		}
	}
	for _, c := range []struct {
		unit unit
		text string
	}{{hertz, "3kV"}, {hertz, "3mm"}, {hertz, ""}, {hertz, "kHz"}, {hertz, "NaN"}, {hertz, "Inf"}, {hertz, "1e999"}, {hertz, "3,5kHz"}, {volts, "5k"}, {amperes, "0x10"}, {metre, "3 parsec"}, {pureNumber, "3Hz"}} {
		if got, err := c.unit.number(c.text); err == nil || math.IsNaN(got) {
			t.Errorf("%s %q: %v without an error", c.unit.what, c.text, got)
		}
	}
}
