package cli

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"tonepose/cmd/tonepose/internal/tables"
)

// Where a figure cannot be written, as a folder has its name, all else that was found is
// there, no other figure is, and the exit code and the message tell which step it was.
func TestWhatIsRightIsKept(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	in := func(name string) string { return filepath.Join(dir, name) }
	moving, bench := recordingFile("pipe-bench-moving.sigmf-meta"), rigFile("pipe-bench.rig.yaml")
	tonepose(t, "solve", moving, "--rig", bench, "--window", "50ms", "--out", in("run"), "--figures", "none")
	tonepose(t, "simulate", "pair", "bridge", "--out", in("bridge.csv"))
	for _, c := range []struct {
		args    []string
		inWay   string   // of a figure
		others  []string // figures of the same set
		kept    []string
		printed string
	}{
		{[]string{"solve", moving, "--rig", bench, "--window", "50ms", "--trajectory", "spline", "--out", in("solved")}, "solved/quality.svg", []string{"solved/path.svg"},
			[]string{"solved/poses.parquet", "solved/couplings.parquet", "solved/phasors.parquet", "solved/integrity.parquet"}, "poses"},
		{[]string{"measure", in("bridge.csv"), "--signal", "signal", "--reference", "reference", "--window", "100ms", "--out", in("measured")}, "measured/demodulated.svg", []string{"measured/demodulated.png"},
			[]string{"measured/demodulated.parquet"}, "amplitude"},
		{[]string{"inspect", moving, "--rig", bench, "--out", in("look")}, "look/spectrum.svg", []string{"look/spectrum.png", "look/stability.svg"}, nil, "rx1"},
		{[]string{"assess", in("run"), "--truth", recordingFile("pipe-bench-moving.truth.csv"), "--out", in("figures"), "--figures", "svg"}, "figures/accuracy.svg", []string{"figures/histogram.svg"}, nil, "position"},
		{[]string{"calibrate", recordingFile("pipe-bench-calibration.sigmf-meta"), "--rig", bench, "--intervals", recordingFile("pipe-bench-calibration.reference.csv"), "--cross-validate", "0", "--figures", "svg", "--out", in("built.rig.yaml")},
			"built-residuals.svg", []string{"built-parameters.svg", "built-correlations.svg"}, []string{"built.rig.yaml", "built.covariance.csv"}, "60 stations"},
		{[]string{"plan", bench, "--stations", in("board.csv"), "--figures", "svg", "--out", in("planned")}, "board-sheet-1.svg", nil,
			[]string{"planned/plan.json", "planned/plan.txt", "planned/bench.svg", "board.csv"}, "Drive"},
	} {
		if err := os.MkdirAll(filepath.Join(in(c.inWay), "in the way"), 0o755); err != nil {
			t.Fatal(err)
		}
		var out, errs bytes.Buffer
		code := Run(t.Context(), append(c.args, "--force"), Streams{In: strings.NewReader(""), Out: &out, Err: &errs})
		step := "figures: "
		if c.args[0] == "plan" {
			step = "stations: "
		}
		if text := errs.String(); code != 1 || !strings.Contains(text, "tonepose: error: "+step) || !strings.Contains(text, filepath.Base(c.inWay)+": is a directory") || !strings.Contains(text, "what came before it is kept") {
			t.Errorf("%s: code %d, %s", c.args[0], code, text)
		}
		if !strings.Contains(out.String(), c.printed) {
			t.Errorf("%s: prints %q, want %q in it", c.args[0], out.String(), c.printed)
		}
		for _, name := range c.kept {
			if _, err := os.Stat(in(name)); err != nil {
				t.Errorf("%s: %v", c.args[0], err)
			}
		}
		for _, name := range c.others {
			if _, err := os.Stat(in(name)); err == nil {
				t.Errorf("%s: %s is there without %s", c.args[0], name, c.inWay)
			}
		}
	}
	if _, hidden := below(t, dir); len(hidden) > 0 {
		t.Errorf("left behind: %v", hidden)
	}
}

// A table whose last rows are damaged prints no row, and leaves no file.
func TestExportIsWholeOrNothing(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	s, err := tables.Create(filepath.Join(dir, "run"), false, tables.Metadata{Tool: "0.1.0"}, tables.CouplingsName)
	if err != nil {
		t.Fatal(err)
	}
	for i := range 200000 { // several groups of rows
		s.Couplings.Write(tables.Coupling{Time: float64(i), Duration: 1, Emitter: "e1", Sensor: "probe", Channel: "rx1", Value: float64(i*i%7919) * 1e-9, Sigma: 1e-13})
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	name, csv := filepath.Join(dir, "run", "couplings.parquet"), filepath.Join(dir, "couplings.csv")
	code, printed, errs := export(t, name)
	if code != 0 || strings.Count(printed, "\n") != 200001 {
		t.Fatalf("code %d, %s", code, errs)
	}
	if code, out, errs := export(t, name, "--out", csv); code != 0 || out != "" {
		t.Errorf("code %d, %q, %s", code, out, errs)
	}
	if text, err := os.ReadFile(csv); err != nil || string(text) != printed {
		t.Errorf("%v: the file is another than what is printed", err)
	}
	if code, _, errs := export(t, name, "--out", csv); code != 2 || !strings.Contains(errs, "add --force") {
		t.Errorf("over a file: code %d, %s", code, errs)
	}
	text, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	for i := range 400 { // in the values of the last group
		text[len(text)*4/5+i] ^= 0x5a
	}
	if err := os.WriteFile(name, text, 0o644); err != nil {
		t.Fatal(err)
	}
	damaged := filepath.Join(dir, "damaged.csv")
	for _, args := range [][]string{{name}, {name, "--format", "json"}, {name, "--out", damaged}} {
		if code, out, errs := export(t, args...); code != 2 || out != "" || !strings.Contains(errs, "couplings.parquet") {
			t.Errorf("%v: code %d, %d bytes printed, %s", args, code, len(out), errs)
		}
	}
	if _, err := os.Stat(damaged); err == nil {
		t.Error("a damaged table left a file")
	}
}
