package cli

import (
	"encoding/binary"
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"testing"

	"tonepose/cmd/tonepose/internal/tables"
)

// dropOut makes a recording of floats, four channels in a .npy, from another: samples of some
// channels become v, or if that is 0 stay what the first of them is.
func dropOut(t *testing.T, from, to string, v float32, first, count int, channels ...int) {
	t.Helper()
	data, err := os.ReadFile(from)
	if err != nil {
		t.Fatal(err)
	}
	const header, frame = 128, 16
	for _, c := range channels {
		at := func(n int) []byte { return data[header+frame*n+4*c:][:4] }
		held := binary.LittleEndian.Uint32(at(first))
		if v != 0 {
			held = math.Float32bits(v)
		}
		for n := first; n < first+count; n++ {
			binary.LittleEndian.PutUint32(at(n), held)
		}
	}
	if err := os.WriteFile(to, data, 0o644); err != nil {
		t.Fatal(err)
	}
}

// What a recorder lost for 50 ms says nothing of the noise and the levels of the rest.
func TestInspectBesideADropOut(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	in := func(name string) string { return filepath.Join(dir, name) }
	if err := os.WriteFile(in("still.csv"), []byte("start_s,stop_s,x_m,y_m,z_m,qw,qx,qy,qz\n0,1,0.02,-0.03,0.15,1,0,0,0\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	tonepose(t, "simulate", rigFile("pipe-bench.rig.yaml"), "--path", in("still.csv"), "--duration", "1s", "--bits", "0", "--noise", "5e-9", "--out", in("whole.npy"), "--quiet")
	for name, lost := range map[string]func(to string){
		"no numbers":      func(to string) { dropOut(t, in("whole.npy"), to, float32(math.NaN()), 30000, 5000, 0, 1, 2, 3) },
		"one channel":     func(to string) { dropOut(t, in("whole.npy"), to, 0, 30000, 5000, 0) },
		"all at its ends": func(to string) { dropOut(t, in("whole.npy"), to, 0, 0, 5100, 0, 1, 2, 3) },
	} {
		lost(in("lost.npy"))
		var seen struct {
			Channels []struct {
				Channel string
				Density *float64 `json:"noise_density_per_sqrt_hz"`
			}
			Tones []struct {
				Tone    string
				Current float64 `json:"current_a_peak"`
			}
		}
		if err := json.Unmarshal([]byte(tonepose(t, "inspect", in("lost.npy"), "--rig", rigFile("pipe-bench.rig.yaml"), "--json")), &seen); err != nil {
			t.Fatal(err)
		}
		if len(seen.Channels) != 4 || len(seen.Tones) != 8 {
			t.Fatalf("%s: %d channels, %d tones", name, len(seen.Channels), len(seen.Tones))
		}
		// White noise of 5 nV/√Hz, a gain of 100. Each of some 140 windows has two degrees of freedom
		// at least beside a tone: σ of the density is its 1/√(2·280) = 4 %, of which five.
		for _, c := range seen.Channels[:3] {
			if c.Density == nil || math.Abs(*c.Density/500e-9-1) > 0.2 {
				density := math.NaN()
				if c.Density != nil {
					density = *c.Density
				}
				t.Errorf("%s: noise of %s is %g, want 500e-9", name, c.Channel, density)
			}
		}
		// 0.5 A as the rig states, 0.25 V, of which 5 nV/√Hz in the 112 Hz of a window are 2e-7; fifty of these.
		for _, tone := range seen.Tones {
			if !(math.Abs(tone.Current/0.5-1) < 1e-5) {
				t.Errorf("%s: current of %s is %g, want 0.5", name, tone.Tone, tone.Current)
			}
		}
	}
}

// The sigmas of windows that lost nothing are those of a recording without the drop-out, whether it
// comes at the beginning, where hardly anything is known of the noise, or later.
func TestADropOutLeavesOtherSigmas(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	in := func(name string) string { return filepath.Join(dir, name) }
	tonepose(t, "simulate", rigFile("pipe-bench.rig.yaml"), "--path", "sweep", "--duration", "600ms", "--bits", "0", "--out", in("whole.npy"), "--quiet")
	sigmas := func(name string) map[float64]float64 {
		out := in(name + ".out")
		tonepose(t, "solve", in(name), "--rig", rigFile("pipe-bench.rig.yaml"), "--window", "6.67ms", "--out", out, "--figures", "none", "--force", "--quiet")
		r, err := tables.Open[tables.Pose](filepath.Join(out, "poses.parquet"))
		if err != nil {
			t.Fatal(err)
		}
		defer r.Close()
		all := map[float64]float64{}
		for row, err := range r.All() {
			if err != nil {
				t.Fatal(err)
			}
			if row.Flags == 0 && row.Covariance != nil {
				all[row.Time] = row.Covariance.Sigma(0)
			}
		}
		return all
	}
	whole := sigmas("whole.npy")
	for _, first := range []int{1765, 5058, 10000} {
		dropOut(t, in("whole.npy"), in("lost.npy"), float32(math.NaN()), first, 5000, 0, 1, 2, 3)
		beside := sigmas("lost.npy")
		// 5000 samples are 8 windows of 667, or 9; one may be flagged beside them.
		if len(beside) < len(whole)-10 {
			t.Errorf("from %d: %d windows without flags of %d", first, len(beside), len(whole))
		}
		// Of the noise, both know a mean over 32 windows, of which fewer where the gap is: a few
		// per cent apart.
		for time, sigma := range beside {
			if ratio := sigma / whole[time]; !(ratio > 0.8 && ratio < 1.25) {
				t.Errorf("from %d: sigma at %g s is %.3g times that without the drop-out", first, time, ratio)
				break
			}
		}
	}
}
