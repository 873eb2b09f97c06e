package cli

import (
	"bytes"
	"encoding/json"
	"fmt"
	"image/png"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"tonepose/cmd/tonepose/internal/plan"
	"tonepose/cmd/tonepose/internal/present"
	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/multitone/frequencyplan"
)

const planRigs = "../../../../testdata/rigs/"

// runPlanTest runs the command and returns its outputs.
func runPlanTest(t *testing.T, code int, args ...string) (stdout, stderr string) {
	t.Helper()
	var out, errs bytes.Buffer
	if got := Run(t.Context(), append([]string{"plan"}, args...), Streams{Out: &out, Err: &errs}); got != code {
		t.Fatalf("plan %v: exit code %d, want %d: %s", args, got, code, &errs)
	}
	return out.String(), errs.String()
}

// planJSON decodes what a plan printed.
func planJSON(t *testing.T, text string) (p plan.Plan) {
	t.Helper()
	if err := json.Unmarshal([]byte(text), &p); err != nil {
		t.Fatalf("%v in %.300s", err, text)
	}
	return p
}

// planned is the plan of a rig file with the values that flags have when they are left out.
func planned(t *testing.T, file string) *plan.Plan {
	t.Helper()
	p, err := plan.Run(t.Context(), file, plan.Options{WindowS: 40e-3, Taper: "hann", NoiseV: 5e-9, Bits: 16, MainsHz: []float64{50, 60}, LowHz: 2000, CurrentA: 0.5, AmbientC: 25,
		DistancesM: []float64{0.05, 0.1, 0.2, 0.3, 0.5, 1}})
	if err != nil {
		t.Fatalf("%s: %v", file, err)
	}
	return p
}

func nearly(t *testing.T, what string, got, want, relative float64) {
	t.Helper()
	if !(math.Abs(got-want) <= relative*math.Abs(want)) {
		t.Errorf("%s = %.8g, want %.8g", what, got, want)
	}
}

// One loop of 10 turns of 0.1 m with 0.5 A peak at 5 kHz: everything by hand, and
// no pose of a single coil can be solved: exit code 1.
func TestPlanOfOneLoopByHand(t *testing.T) {
	file := filepath.Join(t.TempDir(), "one.rig.yaml")
	if err := os.WriteFile(file, []byte(simulateRig), 0o644); err != nil {
		t.Fatal(err)
	}
	text, errs := runPlanTest(t, 1, file, "--json", "--window", "20ms", "--taper", "rectangular", "--wire", "1mm", "--ambient", "20", "--point", "0,0,0.1", "--noise", "4e-9")
	if !strings.Contains(errs, "no pose") || !strings.Contains(errs, "hint: six degrees") {
		t.Errorf("message %q", errs)
	}
	p := planJSON(t, text)
	nearly(t, "noise bandwidth", p.Window.ENBWHz, 25, 1e-12) // 1/(2·20 ms)
	c := p.Coils[0]
	nearly(t, "resistance", c.ResistanceOhm, 1.0/58*2*math.Pi*0.1*10/(math.Pi/4), 1e-9) // mm² and metres
	nearly(t, "moment", c.MomentAm2, 10*math.Pi*0.01*0.5, 1e-12)
	nearly(t, "capacitor", c.CapacitorF*c.InductanceH*math.Pow(2*math.Pi*5000, 2), 1, 1e-9)
	nearly(t, "heat", c.PowerW, c.Load.ResistanceOhm*0.125, 1e-9)
	nearly(t, "sensitivity", p.Pickups[0].LowVT, 2*math.Pi*5000*0.002, 1e-12)
	// Griffiths, Introduction to Electrodynamics, 4th ed., example 5.6: on the axis
	// B = μ0NIa²/(2(a²+z²)^(3/2)).
	peak := 4e-7 * math.Pi * 10 * 0.5 * 0.01 / (2 * math.Pow(0.02, 1.5))
	x := p.Exposure.Points[0]
	nearly(t, "peak", x.PeakT, peak, 1e-8)
	nearly(t, "rms", x.RMST, peak/math.Sqrt2, 1e-8)
	nearly(t, "general public", x.Public, peak/math.Sqrt2/27e-6, 1e-8)
	nearly(t, "occupational", x.Occupational, peak/math.Sqrt2/100e-6, 1e-8)
	// rx1: 0.1 mV of full scale at gain 100. The strongest of the places is on the
	// axis at the bottom of the volume, 50 mm up.
	d := p.Sensors[0].Channels[0]
	low := 4e-7 * math.Pi * 10 * 0.5 * 0.01 / (2 * math.Pow(0.0125, 1.5))
	if v := 100 * 2 * math.Pi * 5000 * 0.002 * low; d.PeakV < v*(1-1e-9) || d.PeakV > 2*v {
		t.Errorf("largest peak %g V, want at least %g V, on the axis", d.PeakV, v)
	}
	nearly(t, "gain", d.Suggested, 100*0.7*1e-4/d.PeakV, 0.1) // rounded down to two digits
	quantising := 2e-4 / 65536 / math.Sqrt(12) / math.Sqrt(25000)
	nearly(t, "noise", d.SigmaV, math.Hypot(100*4e-9, quantising)*math.Sqrt(2*25), 1e-9)
	if len(p.Sensors) != 1 || p.Sensors[0].Blind != p.Sensors[0].Poses {
		t.Errorf("%+v", p.Sensors)
	}
}

// The worked example: a flat ring of untilted loops without tones gets tones,
// currents and places, and is at least 1.5 times better where it is worst. The
// new rig file plans to what was promised.
func TestPlanOptimisesTheRing(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	out := filepath.Join(dir, "better.rig.yaml")
	text, _ := runPlanTest(t, 0, planRigs+"ring-to-plan.rig.yaml", "--optimise", "--rig-out", out, "--json", "--move", "30mm", "--tilt", "40", "--high", "15000")
	p := planJSON(t, text)
	d := p.Design
	if gain := d.Before.Position.Worst / d.After.Position.Worst; !(gain >= 1.5) {
		t.Errorf("worst error %g → %g m: gain %.2f, want 1.5", d.Before.Position.Worst, d.After.Position.Worst, gain)
	}
	if !(d.After.Position.RMS < d.Before.Position.RMS) || d.After.Blind > d.Before.Blind {
		t.Errorf("%+v → %+v", d.Before, d.After)
	}
	old, err := rig.Load(planRigs+"ring-to-plan.rig.yaml", rig.Options{AllowMissingTones: true})
	if err != nil {
		t.Fatal(err)
	}
	r, err := rig.Load(out, rig.Options{}) // strictly: nothing is missing any more
	if err != nil {
		t.Fatal(err)
	}
	var tones []float64
	for i, e := range r.Emitters {
		tones = append(tones, e.ToneHz)
		shift := [3]float64{e.Model.CenterM.X - old.Emitters[i].Model.CenterM.X, e.Model.CenterM.Y - old.Emitters[i].Model.CenterM.Y, e.Model.CenterM.Z - old.Emitters[i].Model.CenterM.Z}
		for k, s := range shift {
			if math.Abs(s) > 0.03+1e-9 || math.Abs(s-d.Moves[i].ShiftM[k]) > 1e-9 {
				t.Errorf("%s is %v m off its place", e.Name, shift)
			}
		}
		if tilt := math.Acos(e.Model.Axis.Z / math.Hypot(math.Hypot(e.Model.Axis.X, e.Model.Axis.Y), e.Model.Axis.Z)); tilt > 40*math.Pi/180+1e-9 {
			t.Errorf("%s is tilted by %g rad", e.Name, tilt)
		}
	}
	conflicts, err := frequencyplan.Check(frequencyplan.Spec{RateHz: 250e3, WindowS: 40e-3, MainsHz: []float64{50, 60}, MarginHz: 12.5}, tones)
	if err != nil || len(conflicts) > 0 {
		t.Errorf("tones %v: %v %v", tones, conflicts, err)
	}
	text, _ = runPlanTest(t, 0, out, "--json")
	again := planJSON(t, text)
	nearly(t, "worst error of the new rig", again.Sensors[0].Position.Worst, d.After.Position.Worst, 1e-6)
	nearly(t, "median", again.Sensors[0].Rotation.Median, d.After.Rotation.Median, 1e-6)
	if again.Changed() {
		t.Error("the new rig leaves something open")
	}
}

// The demo's bench exceeds the general public's level near its coils, and plan
// says how far.
func TestPlanSaysWhereTheDemoRigExceeds(t *testing.T) {
	t.Parallel()
	p := planned(t, "../simulate/bench.rig.yaml")
	if len(p.Exposure.Reaches) != 8 {
		t.Fatalf("%d emitters", len(p.Exposure.Reaches))
	}
	for _, r := range p.Exposure.Reaches {
		// A lone loop reaches √((μ0NIa²/(2√2·27 µT))^(2/3) − a²) along its axis; others
		// nearby add to it.
		alone := math.Sqrt(math.Pow(4e-7*math.Pi*48*0.45*0.032*0.032/(2*math.Sqrt2*27e-6), 2.0/3) - 0.032*0.032)
		if r.PublicM < alone || r.PublicM > 2*alone || r.OccupationalM >= r.PublicM {
			t.Errorf("%s: %g m and %g m, alone %g m", r.Emitter, r.PublicM, r.OccupationalM, alone)
		}
	}
	if !slices.ContainsFunc(p.Cautions, func(c string) bool { return strings.Contains(c, "general-public") }) {
		t.Errorf("cautions %q", p.Cautions)
	}
	var page bytes.Buffer
	if err := present.Plan(&page, p, false); err != nil {
		t.Fatal(err)
	}
	for _, words := range []string{"local codes", "licensed", "clinical use is out of scope", "do not assure implants", "0.5 mT", "rms values of the field with nobody in it"} {
		if !strings.Contains(strings.Join(strings.Fields(page.String()), " "), words) {
			t.Errorf("the text does not say %q", words)
		}
	}
}

// A test plan is refused while its times are missing, with the line, and is read
// by all commands once they are filled in.
func TestPlanStations(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	file := filepath.Join(dir, "board.csv")
	// At a tenth of its gain no place clips.
	text, err := os.ReadFile(planRigs + "pipe-bench.rig.yaml")
	if err != nil {
		t.Fatal(err)
	}
	faint := filepath.Join(dir, "faint.rig.yaml")
	if err := os.WriteFile(faint, bytes.ReplaceAll(text, []byte("gain: 100.0"), []byte("gain: 10.0")), 0o600); err != nil {
		t.Fatal(err)
	}
	_, errs := runPlanTest(t, 0, faint, "--stations", file, "--spacing", "100mm", "--levels", "2", "--orientations", "3")
	if !strings.Contains(errs, "150 stations") || !strings.Contains(errs, "inspect RECORDING --rig RIG --stations") { // 5 × 5 places
		t.Errorf("message %q", errs)
	}
	if _, err := tables.ReadTruth(file, []string{"probe"}); err == nil || !strings.Contains(err.Error(), "board.csv:3: start_s") {
		t.Errorf("without times: %v", err)
	}
	if text, err = os.ReadFile(file); err != nil {
		t.Fatal(err)
	}
	// Two heights in three attitudes, four to a sheet.
	for name, want := range map[string]string{"-sheet-1.svg": "sheet 1 of 2", "-sheet-2.svg": "z = 400 mm, rotated 90° about y"} {
		sheet, err := os.ReadFile(strings.TrimSuffix(file, ".csv") + name)
		if err != nil || !strings.Contains(string(sheet), want) {
			t.Errorf("%s lacks %q: %v", name, want, err)
		}
	}
	lines := strings.Split(strings.TrimSpace(string(text)), "\n")
	for i := range lines[1:] {
		lines[i+1] = strings.Replace(lines[i+1], ",,", fmt.Sprintf("%d.25,%d.25,", i, i+1), 1)
	}
	if err := os.WriteFile(file, []byte(strings.Join(lines, "\n")), 0o644); err != nil {
		t.Fatal(err)
	}
	stations, err := tables.ReadReference(file, []string{"probe"})
	if err != nil || len(stations) != 150 {
		t.Fatalf("%d stations, %v", len(stations), err)
	}
	truth, err := tables.ReadTruth(file, []string{"probe"})
	if err != nil || len(truth) != 150 {
		t.Fatalf("%d rows of truth, %v", len(truth), err)
	}
	for i, s := range stations {
		p := s.Pose.Position
		if math.Abs(p.X) > 0.2+1e-9 || math.Abs(p.Y) > 0.2+1e-9 || p.Z != 0.03 && p.Z != 0.4 || s.SigmaPosition != 1e-4 {
			t.Errorf("station %d: %+v", i, s)
		}
		// One hole of the board at a time.
		if q := stations[max(i-1, 0)]; i%25 > 0 && math.Abs(math.Abs(p.X-q.Pose.Position.X)+math.Abs(p.Y-q.Pose.Position.Y)-0.1) > 1e-9 {
			t.Errorf("station %d is not next to the one before", i)
		}
	}
	r, err := rig.Load(faint, rig.Options{})
	if err != nil {
		t.Fatal(err)
	}
	paced := filepath.Join(dir, "paced.csv")
	board := plan.BoardOptions{SpacingM: 0.2, Levels: 1, Orientations: 1, PaceS: 5, HoldS: 1.5, SigmaM: 1e-4, SigmaRad: 1e-3}
	made, err := (&plan.Plan{Bench: r}).Stations(board)
	if err != nil || made.Left != 0 || made.Rows != 9 {
		t.Fatalf("%+v, %v", made, err)
	}
	if err := os.WriteFile(paced, made.Text, 0o644); err != nil {
		t.Fatal(err)
	}
	if stations, err = tables.ReadReference(paced, []string{"probe"}); err != nil || len(stations) != 9 || stations[8].Start != 40 || stations[8].Stop != 41.5 {
		t.Errorf("paced: %v, %v", stations, err)
	}
	if _, errs := runPlanTest(t, 2, faint, "--stations", paced); !strings.Contains(errs, "--force") {
		t.Errorf("over an existing file: %s", errs)
	}
}

func TestPlanOut(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(t.TempDir(), "plan")
	text, _ := runPlanTest(t, 0, planRigs+"ring-to-plan.rig.yaml", "--out", dir, "--json", "--accuracy", "20um", "--high", "15000")
	onDisk, err := os.ReadFile(filepath.Join(dir, "plan.json"))
	if err != nil || string(onDisk) != text {
		t.Errorf("plan.json differs from what was printed: %v", err)
	}
	for _, name := range []string{"bench", "probe-position-error", "probe-orientation-error", "probe-accuracy-window"} {
		f, err := os.Open(filepath.Join(dir, name+".png"))
		if err != nil {
			t.Fatal(err)
		}
		if img, err := png.Decode(f); err != nil || img.Bounds().Dx() < 600 {
			t.Errorf("%s: %v", name, err)
		}
		f.Close()
	}
	if r, err := rig.Load(filepath.Join(dir, "ring-to-plan.planned.rig.yaml"), rig.Options{}); err != nil || r.Emitters[0].ToneHz == 0 {
		t.Errorf("planned rig: %v", err)
	}
	_, errs := runPlanTest(t, 2, planRigs+"ring-to-plan.rig.yaml", "--out", dir)
	if !strings.Contains(errs, "--force") {
		t.Errorf("message %q", errs)
	}
}

func TestPlanRefuses(t *testing.T) {
	t.Parallel()
	pipe, ring := planRigs+"pipe-bench.rig.yaml", planRigs+"ring-to-plan.rig.yaml"
	dir := t.TempDir()
	for _, c := range []struct {
		code int
		want string
		args []string
	}{
		{2, `--window 0: must be positive`, []string{pipe, "--window", "0"}},
		{2, "--orthogonal", []string{ring, "--orthogonal", "10.0033ms"}},
		{1, "what binds: the band", []string{ring, "--low", "20000", "--high", "20500"}},
		{2, "--rig-out", []string{pipe, "--optimise"}},
		{2, "is not a length", []string{pipe, "--accuracy", "3 parsec"}},
		{2, "write awg5 for a gauge", []string{pipe, "--wire", "5"}},
		{2, "want x,y,z", []string{pipe, "--point", "1,2"}},
		{2, `--mains 55x: want 50, 60, both or none`, []string{pipe, "--mains", "55x"}},
		{2, `--noise -1: must be at least 0`, []string{pipe, "--noise", "-1"}},
		{2, "no noise at all", []string{pipe, "--noise", "0", "--bits", "0"}},
		{2, `--bits 3: must be`, []string{pipe, "--bits", "3"}},
		{2, "sum of cosines", []string{pipe, "--taper", "kaiser:3"}},
		{2, "hann or blackman-harris", []string{pipe, "--taper", "hft95"}},
		{2, "choose a wider one", []string{pipe, "--stations", filepath.Join(dir, "x.csv"), "--spacing", "2mm"}},
		{2, "no sensor \"foo\"", []string{pipe, "--optimise", "--sensor", "foo", "--rig-out", filepath.Join(dir, "y.yaml")}},
		{2, "worst or mean", []string{pipe, "--optimise", "--goal", "best", "--rig-out", filepath.Join(dir, "y.yaml")}},
		{2, "nothing to move", []string{pipe, "--optimise", "--move", "0", "--tilt", "0", "--rig-out", filepath.Join(dir, "y.yaml")}},
	} {
		if _, errs := runPlanTest(t, c.code, c.args...); !strings.Contains(errs, c.want) {
			t.Errorf("%v: message %q, want one with %q", c.args, errs, c.want)
		}
	}
	if entries, _ := os.ReadDir(dir); len(entries) > 0 {
		t.Errorf("%s was left behind", entries[0].Name())
	}
}

// Of a bench whose gain is too high near the coils, the stations are those where the simulated
// converter does not clip at rest; of those that a lower gain would allow, some clip.
func TestPlanStationsKeepClearOfClipping(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	text, err := os.ReadFile(planRigs + "pipe-bench.rig.yaml")
	if err != nil {
		t.Fatal(err)
	}
	bench := func(name, gain string) string {
		file := filepath.Join(dir, name+".rig.yaml")
		if err := os.WriteFile(file, bytes.ReplaceAll(text, []byte("gain: 100.0"), []byte("gain: "+gain)), 0o600); err != nil {
			t.Fatal(err)
		}
		return file
	}
	loud, quiet := bench("loud", "1000"), bench("quiet", "10")
	for _, c := range []struct {
		planned string
		clips   bool
	}{{loud, false}, {quiet, true}} {
		board := filepath.Join(dir, filepath.Base(c.planned)+".csv")
		_, errs := runPlanTest(t, 0, c.planned, "--stations", board, "--spacing", "200mm", "--levels", "3", "--orientations", "1", "--pace", "25ms", "--hold", "20ms")
		if strings.Contains(errs, "left out, as channels can clip there") == c.clips {
			t.Errorf("%s: %s", c.planned, errs)
		}
		var out, warnings bytes.Buffer
		recorded := strings.TrimSuffix(board, ".csv") + ".wav"
		for _, args := range [][]string{{"simulate", loud, "--path", board, "--out", recorded, "--quiet"}, {"solve", recorded, "--rig", loud, "--intervals", board, "--out", recorded + ".solved", "--figures", "none", "--json"}} {
			out.Reset()
			if code := Run(t.Context(), args, Streams{Out: &out, Err: &warnings}); code != 0 {
				t.Fatalf("%v: exit code %d: %s", args, code, &warnings)
			}
		}
		var solved struct{ Flags []struct{ Flag string } }
		if err := json.Unmarshal(out.Bytes(), &solved); err != nil {
			t.Fatal(err)
		}
		clipped := slices.ContainsFunc(solved.Flags, func(f struct{ Flag string }) bool { return f.Flag == "clipped" })
		if clipped != c.clips {
			t.Errorf("%s: flags of the rests %+v", c.planned, solved.Flags)
		}
	}
}

// A paced test plan is a path to simulate, intervals to solve and a truth to
// assess against: what comes out lies within what plan predicts. The rests are as
// long as the planned windows.
func TestPlanStationsAreUsedByAllCommands(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	file := func(name string) string { return filepath.Join(dir, name) }
	bench := "../simulate/bench.rig.yaml"
	text, _ := runPlanTest(t, 0, bench, "--json", "--window", "100ms", "--taper", "rectangular", "--stations", file("board.csv"),
		"--spacing", "100mm", "--levels", "1", "--orientations", "1", "--pace", "300ms", "--hold", "100ms")
	p := planJSON(t, text)
	var out, errs bytes.Buffer
	for _, args := range [][]string{
		{"simulate", bench, "--path", file("board.csv"), "--out", file("run")},
		{"solve", file("run"), "--rig", bench, "--intervals", file("board.csv"), "--out", file("solved"), "--figures", "none", "--quiet"},
		{"assess", file("solved"), "--truth", file("board.csv"), "--json"},
	} {
		out.Reset()
		if code := Run(t.Context(), args, Streams{Out: &out, Err: &errs}); code != 0 {
			t.Fatalf("%v: exit code %d: %s", args, code, &errs)
		}
	}
	var report struct {
		N   int     `json:"n"`
		RMS float64 `json:"position_rms_m"`
	}
	if err := json.Unmarshal(out.Bytes(), &report); err != nil {
		t.Fatal(err)
	}
	// Sixteen places in the middle of the volume: no worse than the volume's rms,
	// which its far corners make, no better than a quarter of its median.
	s := p.Sensors[0].Position
	if report.N != 16 || report.RMS > s.RMS || report.RMS < s.Median/4 {
		t.Errorf("%d stations, rms error %g m; predicted rms %g m, median %g m", report.N, report.RMS, s.RMS, s.Median)
	}
}

// Examples are benches that could be built: no channel clips in the working volume,
// every sensor is located in all of it, no tone lies on mains or a product. The thick
// bobbins' turn comes in slow tests.
func TestSquareBenchIsSound(t *testing.T) {
	t.Parallel()
	soundBench(t, "square-bench")
}

func soundBench(t *testing.T, name string) {
	t.Helper()
	text := tonepose(t, "plan", rigFile(name+".rig.yaml"))
	_, cautions, _ := strings.Cut(text, "\nCautions\n")
	for _, wrong := range []string{"clip", "blind", "located", "conflict"} {
		if strings.Contains(cautions, wrong) {
			t.Errorf("%s: %q among the cautions:\n%s", name, wrong, cautions)
		}
	}
	if !strings.Contains(text, "no blind spots") {
		t.Errorf("%s: has blind spots", name)
	}
}
