package cli

import (
	"bytes"
	"encoding/binary"
	"encoding/json"
	"math"
	"math/rand/v2"
	"path/filepath"
	"strings"
	"testing"

	"tonepose/cmd/tonepose/internal/tables"
)

// A signal of a tenth of its reference, 30° ahead of it, that grows by a fifth after 2 s:
// followed on standard input it is known as well as it says, and the table has the rows
// that were shown.
func TestLivePair(t *testing.T) {
	const rate, hz, seconds, noise = 20000.0, 1001.3, 4, 0.01
	random := rand.New(rand.NewPCG(5, 5))
	var raw []byte
	for i := range int(rate * seconds) {
		at := float64(i) / rate
		peak := 0.1
		if at >= 2 {
			peak = 0.12
		}
		for _, v := range [2]float64{math.Cos(2 * math.Pi * hz * at), peak*math.Cos(2*math.Pi*hz*at+math.Pi/6) + noise*random.NormFloat64()} {
			raw = binary.LittleEndian.AppendUint16(raw, uint16(int16(math.Round(20000*v))))
		}
	}
	dir := filepath.Join(t.TempDir(), "run")
	var out, errs bytes.Buffer
	args := []string{"live", "-", "--format", "ri16_le", "--rate", "20000", "--channels", "2", "--full-scale", "1.6384", // 20000 counts are a volt
		"--signal", "ch2", "--reference", "ch1", "--window", "100ms", "--pace", "max", "--rows", "json", "--part", "1s", "--out", dir}
	if code := Run(t.Context(), args, Streams{In: bytes.NewReader(raw), Out: &out, Err: &errs}); code != 0 {
		t.Fatalf("code %d, %s", code, errs.String())
	}
	type row struct {
		Time       float64 `json:"time_s"`
		Hz         float64 `json:"harmonic_hz"`
		Amplitude  float64 `json:"amplitude_v"`
		Phase      float64 `json:"phase_deg"`
		Sigma      float64 `json:"sigma_v"`
		SigmaPhase float64 `json:"sigma_phase_deg"`
	}
	var rows []row
	for line := range strings.Lines(out.String()) {
		var r row
		if err := json.Unmarshal([]byte(line), &r); err != nil {
			t.Fatalf("%v: %s", err, line)
		}
		rows = append(rows, r)
		want := 0.1
		if r.Time > 2 {
			want = 0.12
		}
		if math.Abs(r.Time-2) < 0.05 {
			continue
		}
		// Five sigma: forty rows exceed it once in 20,000 runs.
		if math.Abs(r.Amplitude-want) > 5*r.Sigma || math.Abs(r.Phase-30) > 5*r.SigmaPhase || math.Abs(r.Hz-hz) > 0.01 {
			t.Errorf("at %g s: %g V (%g), %g° (%g), %g Hz", r.Time, r.Amplitude, r.Sigma, r.Phase, r.SigmaPhase, r.Hz)
		}
		// White noise of σ a sample: σ·√(2·1.5/n) of n samples under a Hann window.
		if s := noise * math.Sqrt(3/(0.1*rate)); math.Abs(r.Sigma/s-1) > 0.3 {
			t.Errorf("at %g s: sigma %g V, want %g", r.Time, r.Sigma, s)
		}
	}
	if len(rows) < 39 {
		t.Fatalf("%d rows of 4 s", len(rows))
	}
	table, err := tables.Open[tables.Demodulated](filepath.Join(dir, tables.DemodulatedName+".parquet"))
	if err != nil {
		t.Fatal(err)
	}
	defer table.Close()
	i := 0
	for r, err := range table.All() {
		if err != nil {
			t.Fatal(err)
		}
		if i >= len(rows) || r.Time != rows[i].Time || r.Amplitude != rows[i].Amplitude || r.Phase != rows[i].Phase {
			t.Fatalf("row %d of the table is not as shown: %+v", i, r)
		}
		i++
	}
	if i != len(rows) {
		t.Errorf("%d rows in the table, %d shown", i, len(rows))
	}
}

func TestLiveRefuses(t *testing.T) {
	for want, args := range map[string]string{
		"go together":            "- --signal a --window 10ms",
		"exclude each other":     "- --signal a --reference b --rig x --window 10ms",
		"--near needs":           "bench: --near 5 --window 10ms",
		"give --rig":             "- --window 10ms",
		"--window or --lowpass":  "bench:",
		"need --window":          "bench: --lowpass fir --bandwidth 10 --lag 10ms",
		"leaves nothing to do":   "bench: --window 10ms --quiet",
		"must be json or csv":    "bench: --window 10ms --rows xml",
		"both go to standard":    "bench: --window 10ms --rows csv --json",
		"must be SigMF":          "bench: --window 10ms --record x.npy",
		"no live source":         "serial:x --window 10ms --rig " + rigFile("pipe-bench.rig.yaml"),
		"no such file":           "play:none.wav --window 10ms --rig " + rigFile("pipe-bench.rig.yaml"),
		"at most 100, or smooth": "bench: --window 10ms --lag 2s --pace max",
	} {
		var out, errs bytes.Buffer
		code := Run(t.Context(), append([]string{"live"}, strings.Fields(args)...), Streams{In: strings.NewReader(""), Out: &out, Err: &errs})
		if code != 2 || !strings.Contains(errs.String(), want) || out.Len() > 0 {
			t.Errorf("%s: code %d, %q, want %q", args, code, errs.String(), want)
		}
	}
}
