package cli

import (
	"bytes"
	"encoding/json"
	"io"
	"math"
	"math/cmplx"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"gonum.org/v1/gonum/dsp/fourier"

	"tonepose/multitone/recording"
)

// readAll is every sample of a recording [V, or the file's unit].
func readAll(t *testing.T, name string, o recording.Options) [][]float64 {
	t.Helper()
	r, err := recording.Open(t.Context(), name, o)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	x := make([][]float64, r.Info().Channels)
	for c := range x {
		x[c] = make([]float64, r.Info().Samples)
	}
	for at := 0; at < len(x[0]); {
		part := make([][]float64, len(x))
		for c := range x {
			part[c] = x[c][at:]
		}
		n, err := r.ReadPlanar(part)
		if at += n; err == io.EOF || n == 0 {
			break
		} else if err != nil {
			t.Fatal(err)
		}
	}
	return x
}

func command(t *testing.T, args ...string) string {
	t.Helper()
	var out, errs bytes.Buffer
	if code := Run(t.Context(), args, Streams{Out: &out, Err: &errs}); code != 0 {
		t.Fatalf("%v: exit code %d: %s", args, code, &errs)
	}
	return out.String()
}

// drivenRig is pipe-bench without delays, so that its drive channel shows the current as
// it is.
func drivenRig(t *testing.T, dir string) string {
	t.Helper()
	text, err := os.ReadFile(planRigs + "pipe-bench.rig.yaml")
	if err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(dir, "pipe.rig.yaml")
	lines := strings.Split(string(text), "\n")
	for i, line := range lines {
		if before, after, ok := strings.Cut(line, ", delay_s:"); ok {
			lines[i] = before + "}" + after[strings.Index(after, "}")+1:]
		}
	}
	if err := os.WriteFile(file, []byte(strings.Join(lines, "\n")), 0o644); err != nil {
		t.Fatal(err)
	}
	return file
}

// The drive file, played over and over through the bench that simulate makes of the
// planned rig, is sample for sample what the simulation's own oscillators drive, over
// every seam; and solve finds the tones, and the poses, of a recording with it.
func TestDriveFilePlayedIntoTheSimulatedBench(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	in := func(name string) string { return filepath.Join(dir, name) }
	command(t, "plan", drivenRig(t, dir), "--drive", in("drive.wav"), "--amplifier-gain", "0.5", "--drive-scale", "8V", "--rig-out", in("driven.rig.yaml"), "--quiet")
	played := readAll(t, in("drive.wav"), recording.Options{FullScale: []float64{8}})
	command(t, "simulate", in("driven.rig.yaml"), "--path", "stations", "--noise", "5e-9", "--bits", "0", "--out", in("made.npy"))
	const rate, transimpedance = 100e3, 0.5
	made := readAll(t, in("made.npy"), recording.Options{SampleRate: rate})
	drive := len(made) - 1
	period := len(played[0])
	// Half a count of the file, 0.5 A/V and 0.5 Ω; six sigmas of the receiver's noise,
	// 5 nV/√Hz over 50 kHz; float32 rounds 1.4 V by 6e-8.
	tolerance := 0.5*8/32768*0.5*transimpedance + 6*5e-9*math.Sqrt(50e3) + 1.2e-7
	if seams := len(made[drive]) / period; seams < 2 {
		t.Fatalf("%d seams in the recording", seams)
	}
	for i, v := range made[drive] {
		current := 0.5 * played[0][i%period]
		if math.Abs(v-current*transimpedance) > tolerance {
			t.Fatalf("sample %d: the simulation drives %.7g V, the file %.7g V", i, v, current*transimpedance)
		}
		made[drive][i] = current * transimpedance
	}
	// What a converter of 16 bits records of it.
	f, err := os.Create(in("played.npy"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	names, full := make([]string, len(made)), make([]float64, len(made))
	for c := range names {
		names[c], full[c] = "c", 2.5
	}
	w, err := recording.NewWriter(f, nil, recording.Description{Format: "npy", SampleRate: rate, Names: names, FullScale: full, Bits: 16, Samples: int64(len(made[0]))})
	if err != nil {
		t.Fatal(err)
	}
	if err := w.Write(made); err != nil {
		t.Fatal(err)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	var solved struct {
		ClockPPM []float64 `json:"clock_ppm"`
	}
	if err := json.Unmarshal([]byte(command(t, "solve", in("played.npy"), "--rate", "100000", "--rig", in("driven.rig.yaml"), "--intervals", in("made.truth.csv"), "--out", in("solved"), "--figures", "none", "--json")), &solved); err != nil {
		t.Fatal(err)
	}
	var assessed struct {
		PositionRMS float64 `json:"position_rms_m"`
		N           int     `json:"n"`
		Coverage    float64 `json:"coverage_95"`
	}
	if err := json.Unmarshal([]byte(command(t, "assess", in("solved"), "--truth", in("made.truth.csv"), "--json")), &assessed); err != nil {
		t.Fatal(err)
	}
	// Of 27 stations 21 at least lie in their 95 % regions but with a probability of 0.0014
	// (binomial); no pose is half a millimetre off at 0.02 mm expected.
	if assessed.N != 27 || assessed.Coverage < 21.0/27 || assessed.PositionRMS > 0.5e-3 {
		t.Errorf("%+v", assessed)
	}
	for _, ppm := range solved.ClockPPM {
		if math.Abs(ppm) > 0.05 {
			t.Errorf("clock offset %g ppm of a bench whose clocks agree", ppm)
		}
	}
}

// Crest factor, currents and spectrum of each channel by the discrete Fourier transform
// of one period: nothing but the tones, each with its current.
func TestDriveFileSpectrum(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	in := func(name string) string { return filepath.Join(dir, name) }
	text := command(t, "plan", planRigs+"pipe-bench.rig.yaml", "--drive", in("d.npy"), "--drive-bits", "0", "--drive-channels", "e1+e2+e3+e4+e5+e6,e7,e8", "--drive-length", "0s", "--drive-ramp", "50ms", "--json")
	p := planJSON(t, text)
	d := p.DriveFile
	x := readAll(t, in("d.npy"), recording.Options{SampleRate: 100e3})
	if len(x) != 3 || d.Samples != 4000 || len(x[0]) != 4000 || d.Unit != "A" { // 25 Hz at 100 kHz
		t.Fatalf("%d channels of %d samples: %+v", len(x), len(x[0]), d)
	}
	for c, channel := range d.Channels {
		lines := fourier.NewFFT(len(x[c])).Coefficients(nil, x[c])
		peak, square := 0.0, 0.0
		for _, v := range x[c] {
			peak, square = max(peak, math.Abs(v)), square+v*v
		}
		for _, tone := range channel.Tones {
			k := int(math.Round(tone.Hz / 25))
			want := cmplx.Rect(0.5, tone.PhaseDeg*math.Pi/180)
			// float32 rounds each of 4000 samples by 2⁻²⁴ of 1.5 A at most.
			if got := lines[k] / 2000; cmplx.Abs(got-want) > 1e-7 {
				t.Errorf("%s: %v A at %g Hz, want %v", channel.Name, got, tone.Hz, want)
			}
			lines[k] = 0
		}
		for k, v := range lines {
			if cmplx.Abs(v)/2000 > 1e-7 {
				t.Errorf("%s: %v A at %g Hz, where no tone is", channel.Name, v/2000, 25*float64(k))
			}
		}
		// Of 6.7 samples to the shortest cycle and more, the highest lies below the peak
		// by ½(π/6.7)² = 11 % at most (Bernstein's inequality).
		crest := peak / math.Sqrt(square/4000)
		if crest > channel.Crest*(1+1e-6) || crest < 0.89*channel.Crest {
			t.Errorf("%s: crest factor %g of the samples, %g stated", channel.Name, crest, channel.Crest)
		}
		if n := float64(len(channel.Tones)); n > 1 && channel.Crest > 0.95*math.Sqrt(2*n) { // all peaks together
			t.Errorf("%s: crest factor %g of %g tones", channel.Name, channel.Crest, n)
		}
	}
	// The start rises from zero and goes on into the loop: 50 ms of it, then the loop's own samples.
	start := readAll(t, in("d.start.npy"), recording.Options{SampleRate: 100e3})
	if len(start[0]) != d.StartSamples || d.StartSamples != 8000 {
		t.Fatalf("%d samples of start, %d stated", len(start[0]), d.StartSamples)
	}
	for c := range start {
		for i, v := range start[c] {
			loop, share := x[c][i%4000], 1.0
			if i < 5000 {
				share = math.Pow(math.Sin(math.Pi*float64(i)/10000), 2) // (1 − cos)/2
			}
			if math.Abs(v-share*loop) > 2e-7 {
				t.Fatalf("channel %d, sample %d of the start: %g, want %g", c, i, v, share*loop)
			}
		}
	}
}

// The phases that a rig states are played as they are.
func TestDriveFileKeepsStatedPhases(t *testing.T) {
	t.Parallel()
	file := filepath.Join(t.TempDir(), "card.wav")
	command(t, "plan", planRigs+"sound-card.rig.yaml", "--drive", file, "--drive-channels", "e1+e3+e5,e2+e4+e6", "--drive-bits", "24", "--drive-scale", "1.3A", "--quiet")
	x := readAll(t, file, recording.Options{FullScale: []float64{1.3}})
	for c, phases := range [][]float64{{0, 201, 122}, {83, 317, 259}} {
		want := 0.0
		for _, deg := range phases {
			want += 0.4 * math.Cos(deg*math.Pi/180)
		}
		if math.Abs(x[c][0]-want) > 1.3/(1<<24)+1e-9 { // half a count
			t.Errorf("channel %d begins at %g A, want %g", c, x[c][0], want)
		}
	}
	about, err := os.ReadFile(strings.TrimSuffix(file, "wav") + "txt")
	if err != nil || !strings.Contains(string(about), "full scale is 1.3 A") || !strings.Contains(string(about), "implants") {
		t.Errorf("words beside it: %v\n%s", err, about)
	}
}

func TestDriveFileRefuses(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	odd := filepath.Join(dir, "odd.rig.yaml")
	text, err := os.ReadFile(planRigs + "pipe-bench.rig.yaml")
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(odd, bytes.Replace(text, []byte("11675.0"), []byte("11675.001"), 1), 0o644); err != nil {
		t.Fatal(err)
	}
	pipe, wav := planRigs+"pipe-bench.rig.yaml", filepath.Join(dir, "d.wav")
	for _, c := range []struct {
		args []string
		want string
	}{
		{[]string{pipe, "--drive", filepath.Join(dir, "d.mp3")}, "must end in .wav, .npy or .csv"},
		{[]string{pipe, "--drive", wav, "--drive-scale", "2V"}, "--amplifier-gain"},
		{[]string{pipe, "--drive", wav, "--drive-scale", "2"}, "as 2V or 0.5A"},
		{[]string{pipe, "--drive", wav, "--drive-scale", "2A"}, "channel drive peaks at"},
		{[]string{pipe, "--drive", wav, "--drive-channels", "e1+e2"}, "emitter e3 is on no channel"},
		{[]string{pipe, "--drive", wav, "--drive-channels", "e1+e9"}, `no emitter "e9"`},
		{[]string{pipe, "--drive", wav, "--drive-channels", "e1+e1"}, "emitter e1 stands twice"},
		{[]string{pipe, "--drive", wav, "--drive-rate", "20000"}, "e5: tone_hz = 10275 is not under half the player's rate"},
		{[]string{odd, "--drive", wav}, "e6 at 11675.001 Hz alone needs 1e+03 s"},
	} {
		if _, errs := runPlanTest(t, 2, append(c.args, "--quiet")...); !strings.Contains(errs, c.want) {
			t.Errorf("%v: %q does not say %q", c.args, errs, c.want)
		}
	}
	if left, _ := filepath.Glob(filepath.Join(dir, "d*")); len(left) > 0 {
		t.Errorf("left behind: %v", left)
	}
}
