package cli

import (
	"bytes"
	"encoding/binary"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
)

// reported is the page that report writes with these arguments.
func reported(t *testing.T, args ...string) string {
	t.Helper()
	out := filepath.Join(t.TempDir(), "report.html")
	tonepose(t, append([]string{"report", "--quiet", "--out", out}, args...)...)
	text, err := os.ReadFile(out)
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

// One file: nothing of it is fetched, figures have words beside them, tables headers.
func TestReportStandsAlone(t *testing.T) {
	t.Parallel()
	dir := wholeStations(t)
	page := reported(t, dir, "--truth", recordingFile("pipe-bench-stations.truth.csv"))
	if at := regexp.MustCompile(`(?i)(src|href)\s*=\s*"[^#"]|url\(|@import|<script|<link|<iframe`).FindString(page); at != "" {
		t.Errorf("the page fetches: %q", at)
	}
	figures, titles, descriptions := strings.Count(page, "<svg "), strings.Count(page, "<title>")-1, strings.Count(page, "<desc>")
	if figures < 6 || titles != figures || descriptions != figures {
		t.Errorf("%d figures with %d titles and %d descriptions", figures, titles, descriptions)
	}
	tables := strings.Count(page, "<table ")
	if heads, captions := strings.Count(page, "<thead>"), strings.Count(page, "<caption "); tables < 7 || heads != tables || captions != tables {
		t.Errorf("%d tables with %d heads and %d captions", tables, heads, captions)
	}
	// An element left open would swallow what follows it.
	d := xml.NewDecoder(strings.NewReader(page[strings.Index(page, "<body>"):strings.Index(page, "</html>")]))
	for {
		if _, err := d.Token(); errors.Is(err, io.EOF) {
			break
		} else if err != nil {
			t.Fatal(err)
		}
	}
	// The design's statement of this recording: position RMS 0.012 mm, as predicted; no flag.
	for _, want := range []string{`11.6</span> <span class="unit">µm`, "of 27 poses", "tonepose solve pipe-bench-stations.sigmf-data", "--intervals", "nothing is doubtful about any row",
		"Clinical use is out of scope", "Driven coils get hot and can burn", "implants", "sha256"} {
		if !strings.Contains(page, want) {
			t.Errorf("the page lacks %q", want)
		}
	}
	if strings.Contains(page, "NaN") || strings.Contains(page, "ZgotmplZ") {
		t.Error("the page prints a number or style that is none")
	}
}

// The run with metal near comes first, with its flags, what they mean and what to do.
func TestReportOfSeveralRunsWorstFirst(t *testing.T) {
	t.Parallel()
	good, bad := wholeStations(t), filepath.Join(t.TempDir(), "metal")
	tonepose(t, "solve", recordingFile("pipe-bench-metal.npy"), "--rig", rigFile("pipe-bench.rig.yaml"), "--intervals", recordingFile("pipe-bench-metal.truth.csv"), "--out", bad, "--quiet")
	// Beside its tables are its figures, and what each row is worth is told in a word.
	for _, name := range []string{"path.svg", "quality.svg"} {
		if text, err := os.ReadFile(filepath.Join(bad, name)); err != nil || !strings.Contains(string(text), "metal: ") {
			t.Errorf("%s: %v", name, err)
		}
	}
	var states []string
	for line := range strings.Lines(tonepose(t, "export", filepath.Join(bad, "integrity.parquet"))) {
		states = append(states, strings.TrimSpace(line[strings.LastIndex(line, ",")+1:]))
	}
	if states[0] != "state" || !slices.Contains(states[1:], "flagged") || !slices.Contains(states[1:], "sound") {
		t.Errorf("states %q of rests with metal near and far", states)
	}
	page := reported(t, good, bad)
	table := page[strings.Index(page, "overview"):]
	if first, second := strings.Index(table, ">metal<"), strings.Index(table, ">out<"); first < 0 || second < first {
		t.Errorf("metal at %d, stations at %d of the table", first, second)
	}
	for _, want := range []string{"distorted", "the couplings do not fit the field model", "take metal away", "3 of 5"} {
		if !strings.Contains(page, want) {
			t.Errorf("the page lacks %q", want)
		}
	}
}

// Names come from files of others: they are text.
func TestReportOfStrangeNames(t *testing.T) {
	text, err := os.ReadFile(rigFile("pipe-bench.rig.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	name := regexp.MustCompile(`(?m)^name: .*$`)
	rig, dir := filepath.Join(t.TempDir(), "rig.yaml"), filepath.Join(t.TempDir(), "out")
	if err := os.WriteFile(rig, name.ReplaceAll(text, []byte(`name: "<b onclick=x>&bench</b>"`)), 0o644); err != nil {
		t.Fatal(err)
	}
	tonepose(t, "solve", recordingFile("pipe-bench-stations.sigmf-meta"), "--rig", rig, "--out", dir, "--figures", "none", "--quiet")
	if page := reported(t, dir); strings.Contains(page, "<b onclick") || !strings.Contains(page, "&lt;b onclick") {
		t.Error("a name is markup")
	}
}

// The parts of a stream are one run.
func TestReportOfParts(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "live")
	tonepose(t, "live", "play:"+recordingFile("pipe-bench-moving.sigmf-meta"), "--rig", rigFile("pipe-bench.rig.yaml"), "--window", "50ms", "--pace", "max", "--part", "1s", "--out", dir, "--quiet")
	page := reported(t, dir)
	for _, want := range []string{"latency", "windows skipped", "tonepose live play:", "--part 1s"} {
		if !strings.Contains(page, want) {
			t.Errorf("the page lacks %q", want)
		}
	}
}

func TestReportRefuses(t *testing.T) {
	dir := t.TempDir()
	kept := filepath.Join(dir, "kept.html")
	if err := os.WriteFile(kept, []byte("mine"), 0o644); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct{ args, want string }{
		{"report", "no folder given"},
		{"report|" + dir, "holds no poses.parquet"},
		{"report|a|b", "--out is missing"},
		{"report|a|b|--out|x.html|--truth|t.csv", "given 1 times for 2 folders"},
		{"report|a|--out|" + kept, "--force"},
		{"report|a|--out|rows.csv", "name a .html"},
	} {
		var errs bytes.Buffer
		if code := Run(t.Context(), strings.Split(c.args, "|"), Streams{Out: &bytes.Buffer{}, Err: &errs}); code != 2 || !strings.Contains(errs.String(), c.want) {
			t.Errorf("%s: exit code %d: %s", c.args, code, &errs)
		}
	}
	if text, _ := os.ReadFile(kept); string(text) != "mine" {
		t.Error("a file was replaced")
	}
}

// With the recording at hand the report has range and spectrum; with plan and
// calibration what was planned and how the calibration fits. Another recording is
// refused.
func TestReportOfAllThatCameBefore(t *testing.T) {
	t.Parallel()
	dir, own := wholeStations(t), recordingFile("pipe-bench-stations.sigmf-meta")
	temp := t.TempDir()
	wrong := t.TempDir()
	plan, calibration := filepath.Join(temp, "plan"), filepath.Join(temp, "calibration.json")
	tonepose(t, "plan", rigFile("pipe-bench.rig.yaml"), "--window", "80ms", "--out", plan, "--figures", "none", "--quiet")
	text := tonepose(t, "calibrate", recordingFile("pipe-bench-calibration.sigmf-meta"), "--rig", rigFile("pipe-bench.rig.yaml"), "--intervals", recordingFile("pipe-bench-calibration.reference.csv"),
		"--out", filepath.Join(temp, "built.rig.yaml"), "--cross-validate", "0", "--figures", "none", "--json")
	if err := os.WriteFile(calibration, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	page := reported(t, dir, "--recording", own, "--plan", plan, "--calibration", calibration)
	codes, err := os.ReadFile(recordingFile("pipe-bench-stations.sigmf-data")) // ri16_le of four channels, the drive last
	if err != nil {
		t.Fatal(err)
	}
	largest := 0.0
	for i := 6; i+1 < len(codes); i += 8 {
		largest = max(largest, math.Abs(float64(int16(binary.LittleEndian.Uint16(codes[i:])))))
	}
	for _, want := range []string{"Spectrum of every channel", fmt.Sprintf("least margin: drive at %.1f %% of range", 100*largest/32768), "Range and noise of every channel", "What was planned, and what came", "in hann windows of 80.0 ms",
		"Residuals of the calibration", "What the calibration changed", "60 stations, chi-square 1419 of 1384", "e1 place x (mm)"} {
		if !strings.Contains(page, want) {
			t.Errorf("the page lacks %q", want)
		}
	}
	// A run of the rig that the calibration wrote, beside them and the truth, needs none named.
	run := filepath.Join(temp, "run")
	const truth = "pipe-bench-calibration-validation.truth.csv"
	tonepose(t, "solve", recordingFile("pipe-bench-calibration-validation.sigmf-meta"), "--rig", filepath.Join(temp, "built.rig.yaml"), "--intervals", recordingFile(truth), "--out", run, "--figures", "none", "--quiet")
	copied(t, temp, recordingFile(truth))
	found := []string{"What was planned, and what came", "Residuals of the calibration", "Assessment against the truth", "<td>" + truth + "</td>", "<td>plan.json</td>", "<td>calibration.json</td>"}
	beside, without, other := reported(t, run), reported(t, run, "--truth", "none", "--plan", "none", "--calibration", "none"), reported(t, dir)
	for _, want := range found {
		if !strings.Contains(beside, want) || strings.Contains(without, want) || strings.Contains(other, want) {
			t.Errorf("%q is on the page: %v, none wanted: %v, far from it: %v", want, strings.Contains(beside, want), strings.Contains(without, want), strings.Contains(other, want))
		}
	}
	// What another program, or a damaged disk, left of a plan and a calibration.
	for name, text := range map[string]string{"plan.json": "{\n\"sensors\": 5}\n", "cut.json": "{\n\"stations\": [\n", "list.json": "[]\n"} {
		if err := os.WriteFile(filepath.Join(wrong, name), []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	const mend = ": it is damaged, or something else: name what plan --out or calibrate --json wrote"
	for _, c := range []struct{ args, want string }{
		{"--plan|" + wrong, "plan.json:2: sensors is a JSON number, which it never is" + mend},
		{"--calibration|" + filepath.Join(wrong, "cut.json"), "cut.json:3: not JSON: unexpected end of JSON input" + mend},
		{"--calibration|" + filepath.Join(wrong, "list.json"), "list.json:1: the whole is a JSON array, which it never is" + mend},
		{"--recording|" + recordingFile("pipe-bench-moving.sigmf-meta"), "sha256"},
		{"--plan|" + temp, "plan.json"},
		{"--calibration|" + filepath.Join(plan, "plan.json"), "calibrate --json"},
		{"--recording|a|--recording|b", "given 2 times for 1 folders"},
	} {
		var errs bytes.Buffer
		out := filepath.Join(temp, "none.html")
		if code := Run(t.Context(), append([]string{"report", dir, "--out", out}, strings.Split(c.args, "|")...), Streams{Out: &bytes.Buffer{}, Err: &errs}); code != 2 || !strings.Contains(errs.String(), c.want) {
			t.Errorf("%s: exit code %d: %s", c.args, code, &errs)
		}
		if _, err := os.Stat(out); err == nil {
			t.Errorf("%s: a page was written", c.args)
		}
	}
}
