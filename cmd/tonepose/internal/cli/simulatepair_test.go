package cli

import (
	"bytes"
	"math"
	"path/filepath"
	"strings"
	"testing"

	"tonepose/cmd/tonepose/internal/tables"
)

// measuredParts simulates a pair and measures it over the parts of its truth.
func measuredParts(t *testing.T, kind string, harmonics string, args ...string) []tables.Demodulated {
	t.Helper()
	dir := t.TempDir()
	file, out := filepath.Join(dir, kind+".csv"), filepath.Join(dir, "out")
	tonepose(t, append([]string{"simulate", "pair", kind, "--out", file}, args...)...)
	tonepose(t, "measure", file, "--signal", "signal", "--reference", "reference", "--harmonics", harmonics,
		"--intervals", filepath.Join(dir, kind+".truth.csv"), "--out", out)
	r, err := tables.Open[tables.Demodulated](filepath.Join(out, "demodulated.parquet"))
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	var rows []tables.Demodulated
	for row, err := range r.All() {
		if err != nil {
			t.Fatal(err)
		}
		rows = append(rows, row)
	}
	return rows
}

// Four sigmas: one value in 16,000.
func near(have, want, sigma float64) bool { return math.Abs(have-want) < 4*sigma }

// A bridge in microvolts: noise of 20 nV/√Hz over 1 s leaves √2·20 nV·√(1/2) = 20 nV on
// each part of the peak phasor.
func TestWorkedBridge(t *testing.T) {
	t.Parallel()
	rows := measuredParts(t, "bridge", "1", "--phase", "30", "--seed", "5")
	if len(rows) != 4 {
		t.Fatalf("%d rows", len(rows))
	}
	for i, want := range []float64{5e-6, 10e-6, 20e-6, 10e-6} {
		if s := rows[i].Sigma; s < 18e-9 || s > 22e-9 { // the noise is known to some percent
			t.Errorf("part %d: sigma %g V, want 20 nV", i, s)
		}
		in, quadrature := want*math.Cos(math.Pi/6), want*math.Sin(math.Pi/6)
		if r := rows[i]; !near(r.InPhase, in, r.Sigma) || !near(r.Quadrature, quadrature, r.Sigma) || r.Flags != 0 {
			t.Errorf("part %d: %g + j %g V ± %g, want %g + j %g, %v", i, r.InPhase, r.Quadrature, r.Sigma, in, quadrature, r.Flags)
		}
	}
}

// Chopped light: 2/π of the level, odd harmonics at 1/n, alternating in sign.
func TestWorkedChoppedLight(t *testing.T) {
	t.Parallel()
	rows := measuredParts(t, "chopper", "1,2,3,5", "--level", "1e-3")
	if len(rows) != 4 {
		t.Fatalf("%d rows", len(rows))
	}
	for _, r := range rows {
		n := float64(r.Harmonic)
		want := 2e-3 / math.Pi / n * math.Sin(n*math.Pi/2)
		across := r.Sigma
		if r.Harmonic%2 == 1 { // the reference's phase, n times, turns what there is
			across = math.Hypot(r.Sigma, want*r.SigmaPhase*math.Pi/180)
		}
		if !near(r.InPhase, want, r.Sigma) || !near(r.Quadrature, 0, across) {
			t.Errorf("harmonic %d: %g + j %g V ± %g, want %g", r.Harmonic, r.InPhase, r.Quadrature, r.Sigma, want)
		}
	}
}

// 2 kHz over 10 mm more at 20 °C: 343.2 m/s (ISO 9613-1:1993) is 171.6 mm a turn.
func TestWorkedAcousticPath(t *testing.T) {
	t.Parallel()
	rows := measuredParts(t, "acoustic", "1", "--distance", "500mm,510mm,0.52")
	if len(rows) != 3 {
		t.Fatalf("%d rows", len(rows))
	}
	for i, want := range []float64{0, 10e-3, 20e-3} {
		metres := -(rows[i].Unwrapped - rows[0].Unwrapped) / 360 * 343.2 / 2000
		if sigma := math.Hypot(rows[i].SigmaPhase, rows[0].SigmaPhase) / 360 * 343.2 / 2000; !near(metres, want, sigma) && want > 0 {
			t.Errorf("part %d: %g m, want %g ± %g", i, metres, want, sigma)
		}
	}
}

func TestSimulatePairErrors(t *testing.T) {
	for want, args := range map[string][]string{
		"organ: must be bridge or chopper or acoustic":              {"organ"},
		"--distance: has no part in a recording of kind bridge":     {"bridge", "--distance", "1m"},
		"--phase: has no part in a recording of kind acoustic":      {"acoustic", "--phase", "3"},
		"2 of --level and 4 of --distance: give one level":          {"acoustic", "--level", "1,2"},
		"--distance 1ft: is not a length":                           {"acoustic", "--distance", "1ft"},
		"tone 20000 Hz: must lie below half the sample rate, 10000": {"bridge", "--tone", "20000"},
	} {
		var errs bytes.Buffer
		file := filepath.Join(t.TempDir(), "x.csv")
		if code := Run(t.Context(), append([]string{"simulate", "pair", "--out", file}, args...), Streams{Out: &bytes.Buffer{}, Err: &errs}); code != 2 || !strings.Contains(errs.String(), want) {
			t.Errorf("%v: exit code %d: %s", args, code, &errs)
		}
	}
}
