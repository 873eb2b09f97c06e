package cli

import (
	"bytes"
	"encoding/json"
	"math"
	"path/filepath"
	"strings"
	"testing"

	"tonepose/cmd/tonepose/internal/stream"
	"tonepose/testdata/published"
)

// A symmetric low-pass follows the moving probe as well as windows do; truth
// and time stamps agree, or at 0.1 m/s a millisecond would be 0.1 mm.
func TestContinuousPoses(t *testing.T) {
	t.Parallel()
	r, _ := assessed(t, "pipe-bench-moving.truth.csv", recordingFile("pipe-bench-moving.sigmf-meta"), "--rig", rigFile("pipe-bench.rig.yaml"),
		"--lowpass", "fir", "--bandwidth", "60", "--output-rate", "500")
	if r.N < 1400 {
		t.Errorf("%d rows of 500 a second", r.N)
	}
	// What 10 ms Hann windows reach is 0.056 mm with an ENBW of 75 Hz; this one
	// has 60 Hz.
	if r.PositionRMS > 0.056e-3 || r.NormalisedMean < 0.6 || r.NormalisedMean > 1.5 {
		t.Errorf("position %.4f mm RMS, squared error over prediction %.2f", r.PositionRMS*1e3, r.NormalisedMean)
	}
}

// What a run states of its low-pass are closed forms: a cascade of four stages
// has ENBW = 5/(64 τ) and settles to 1 % in 10.05 τ (rc_cascade_enbw_settling.csv).
func TestAveragingIsStated(t *testing.T) {
	args := []string{"solve", recordingFile("pipe-bench-moving.sigmf-meta"), "--rig", rigFile("pipe-bench.rig.yaml"), "--lowpass", "cascade4", "--time-constant", "2ms"}
	var sum struct{ Averaging stream.Averaging }
	if err := json.Unmarshal([]byte(tonepose(t, append(args, "--json", "--out", filepath.Join(t.TempDir(), "run"))...)), &sum); err != nil {
		t.Fatal(err)
	}
	a := sum.Averaging
	for _, row := range published.Table(t, "rc_cascade_enbw_settling.csv") {
		if row.Number("order_n") != 4 {
			continue
		}
		for _, v := range []struct {
			name      string
			got, want float64
		}{{"ENBW", a.ENBWHz, row.Number("enbw_times_tau") / 2e-3}, {"settling to 1 %", a.Settling1S, row.Number("t_99pct_over_tau") * 2e-3}, {"group delay", a.GroupDelayS, 4 * 2e-3}} {
			// The filter is sampled: 200 samples a time constant.
			if math.Abs(v.got/v.want-1) > 0.005 {
				t.Errorf("%s %.6g, table %.6g", v.name, v.got, v.want)
			}
		}
	}
	if a.Joint || a.NextTone == nil || a.Image == nil || a.Mains == nil {
		t.Fatalf("%+v", a)
	}
	// (1 + (2πfτ)²)⁻² of the nearest tones, 1.2 kHz apart, and of e1's image
	for _, v := range []struct {
		name string
		got  *stream.Rejection
		hz   float64
	}{{"next tone", a.NextTone, 1200}, {"image", a.Image, 2 * 5125}, {"mains", a.Mains, 5125 - 250}} {
		x := 2 * math.Pi * v.hz * 2e-3
		if want := 40 * math.Log10(1+x*x); math.Abs(v.got.DB-want) > 1 {
			t.Errorf("%s %.2f dB, want %.2f", v.name, v.got.DB, want)
		}
	}
	if a.DensityLow < 0.6e-6 || a.DensityHigh > 1.2e-6 {
		t.Errorf("noise %g to %g V/√Hz: the recording has 0.8 µV/√Hz", a.DensityLow, a.DensityHigh)
	}
	text := tonepose(t, append(args, "--out", filepath.Join(t.TempDir(), "run"))...)
	for _, want := range []string{"cascade of order 4", "equivalent noise bandwidth 39.", "group delay 7.98 ms", "settles to 1 %", "next tone −", "image −", "mains −", "V/√Hz"} {
		if !strings.Contains(text, want) {
			t.Errorf("the summary lacks %q:\n%s", want, text)
		}
	}
}

func TestLowPassFlags(t *testing.T) {
	for want, extra := range map[string]string{
		"--bandwidth needs --lowpass":              "--bandwidth 10",
		"must be cascade1 to cascade8":             "--lowpass elliptic3 --bandwidth 10",
		"give the order, as in cascade4":           "--lowpass cascade --bandwidth 10",
		"the order must lie in 1 to 8":             "--lowpass butterworth9 --bandwidth 10",
		"a fir has no order":                       "--lowpass fir3 --bandwidth 10",
		"give one of --bandwidth, --time-constant": "--lowpass cascade2",
		"not 2 of them":                            "--lowpass cascade2 --bandwidth 10 --enbw 3",
		"must be positive":                         "--lowpass cascade2 --bandwidth -10",
		"--lowpass excludes --window":              "--lowpass cascade2 --bandwidth 10 --window 10ms",
		"StopHz and StopDB belong to fir":          "--lowpass cascade2 --bandwidth 10 --stop-depth 80",
		"longer than the recording":                "--lowpass cascade8 --time-constant 1s",
		"must stay below a quarter":                "--lowpass cascade2 --bandwidth 40000",
		"must not be narrower than":                "--lowpass cascade8 --time-constant 2000000h",
		"so far apart are e1 and e2":               "--lowpass butterworth8 --bandwidth 12000",
	} {
		var out, errs bytes.Buffer
		args := append([]string{"measure", recordingFile("pipe-bench-moving.sigmf-meta"), "--rig", rigFile("pipe-bench.rig.yaml"), "--out", filepath.Join(t.TempDir(), "run")}, strings.Fields(extra)...)
		if code := Run(t.Context(), args, Streams{Out: &out, Err: &errs}); code != 2 || !strings.Contains(errs.String(), want) {
			t.Errorf("%s: exit code %d, %q; want 2 and %q", extra, code, &errs, want)
		}
	}
}
