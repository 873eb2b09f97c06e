package cli

import (
	"bytes"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"tonepose/cmd/tonepose/internal/calibrate"
	"tonepose/cmd/tonepose/internal/rig"
)

// commonSignal writes a NumPy recording of one signal on all channels: channel c
// sees gain[c]·x(t − delay[c]) [V] and white noise of sigma on every sample.
func commonSignal(t *testing.T, name string, tones []float64, gain, delay []float64, sigma float64) {
	t.Helper()
	const rate, samples = 100000.0, 20000
	random := rand.New(rand.NewPCG(8, 1))
	var data bytes.Buffer
	header := fmt.Sprintf("{'descr': '<f4', 'fortran_order': False, 'shape': (%d, %d), }", samples, len(gain))
	header += strings.Repeat(" ", 63-(len(header)+10)%64) + "\n"
	data.WriteString("\x93NUMPY\x01\x00")
	binary.Write(&data, binary.LittleEndian, uint16(len(header)))
	data.WriteString(header)
	for k := range samples {
		for c := range gain {
			at, x := float64(k)/rate-delay[c], 0.0
			for i, hz := range tones {
				x += 1e-3 * math.Cos(2*math.Pi*hz*(1+4e-6)*at+float64(i*i))
			}
			binary.Write(&data, binary.LittleEndian, float32(gain[c]*x+sigma*random.NormFloat64()))
		}
	}
	if err := os.WriteFile(name, data.Bytes(), 0o644); err != nil {
		t.Fatal(err)
	}
}

func TestCalibrateChannels(t *testing.T) {
	dir := t.TempDir()
	recording, matched := filepath.Join(dir, "common.npy"), filepath.Join(dir, "matched.rig.yaml")
	// The rig says gains of 100, 100, 100 and 1, delays of 1.5, 1.5, 1.5 and 0 µs.
	gain := []float64{1, 1.013, -0.995, 1.002}
	delay := []float64{0, 180e-9, -75e-9, 410e-9}
	tones := []float64{2000, 5125, 11675, 23000}
	commonSignal(t, recording, tones, []float64{100, 100 * gain[1], 100 * gain[2], gain[3]},
		[]float64{1.5e-6, 1.5e-6 + delay[1], 1.5e-6 + delay[2], delay[3]}, 1e-5)
	text := tonepose(t, "calibrate", "channels", recording, "--rig", rigFile("pipe-bench.rig.yaml"), "--reference", "rx1",
		"--tones", "2000,5125,11675,23000", "--out", matched, "--json")
	var sum struct{ Channels []calibrate.MatchedChannel }
	if err := json.Unmarshal([]byte(text), &sum); err != nil {
		t.Fatal(err)
	}
	r, err := rig.Load(matched, rig.Options{})
	if err != nil {
		t.Fatal(err)
	}
	nominal := []float64{100, 100, 100, 1}
	for c, m := range sum.Channels {
		if c == 0 {
			continue
		}
		if m.Silent || math.Abs(m.Gain-gain[c]) > 4*m.SigmaGain || math.Abs(m.DelayS-delay[c]) > 4*m.SigmaDelay {
			t.Errorf("%+v: want gain %g, delay %g s", m, gain[c], delay[c])
		}
		// A tone of 1 mV on a channel of gain 1 in 10 µV of noise over 20000
		// samples has σ_a/a = 1e-2·√(2/20000) = 1e-4; four tones halve it.
		if m.SigmaGain > 1.1e-4 || m.SigmaDelay > 1.1e-4/(2*math.Pi*23000) {
			t.Errorf("%s: sigma of the gain %.2g, of the delay %.2g s", m.Name, m.SigmaGain, m.SigmaDelay)
		}
		if got := r.Channels[c].Gain / nominal[c]; math.Abs(got-m.Gain) > 1e-12 {
			t.Errorf("%s: gain %g written, factor %g found", m.Name, r.Channels[c].Gain, m.Gain)
		}
	}
	if r.Channels[0].Gain != 100 || r.Channels[0].DelayS != 1.5e-6 {
		t.Errorf("the reference moved: %+v", r.Channels[0])
	}
	// A second time there is nothing left to find.
	again := tonepose(t, "calibrate", "channels", recording, "--rig", matched, "--reference", "rx1",
		"--tones", "2000,5125,11675,23000", "--out", filepath.Join(dir, "again.rig.yaml"), "--json")
	if err := json.Unmarshal([]byte(again), &sum); err != nil {
		t.Fatal(err)
	}
	for _, m := range sum.Channels {
		if math.Abs(m.Gain-1) > 1e-9 || math.Abs(m.DelayS) > 1e-14 {
			t.Errorf("again: %+v", m)
		}
	}
}

func TestCalibrateChannelsSilent(t *testing.T) {
	dir := t.TempDir()
	recording := filepath.Join(dir, "common.npy")
	commonSignal(t, recording, []float64{5125, 11675}, []float64{100, 0, 100, 0}, make([]float64, 4), 1e-5)
	out := filepath.Join(dir, "matched.rig.yaml")
	var stdout, stderr bytes.Buffer
	args := []string{"calibrate", "channels", recording, "--rig", rigFile("pipe-bench.rig.yaml"), "--tones", "5125,11675", "--out", out}
	code := Run(t.Context(), append(args, "--reference", "rx1"), Streams{Out: &stdout, Err: &stderr})
	if code != 0 || !strings.Contains(stderr.String(), "rx2 does not carry") || !strings.Contains(stderr.String(), "drive does not carry") {
		t.Errorf("exit code %d, %s", code, &stderr)
	}
	for want, extra := range map[string][]string{
		"is not a channel":       {"--reference", "rx9", "--force"},
		"--reference is missing": {},
		"add --force":            {"--reference", "rx1"},
		"must lie between":       {"--reference", "rx1", "--force", "--tones", "60000"},
	} {
		stderr.Reset()
		if code := Run(t.Context(), append(args, extra...), Streams{Out: &stdout, Err: &stderr}); code != 2 || !strings.Contains(stderr.String(), want) {
			t.Errorf("%v: exit code %d, %s; want 2 and %q", extra, code, &stderr, want)
		}
	}
}
