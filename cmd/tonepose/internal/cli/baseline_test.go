package cli

import (
	"os"
	"path/filepath"
	"testing"

	"tonepose/cmd/tonepose/internal/assess"
	"tonepose/solver/assessment"
)

// Crosstalk from drive to pickup spoils poses that know nothing of it; taken
// off by a recording with the sensor far away it leaves them as good as
// predicted. 27 stations hold 162 squares: 4·√(2/162) = 44 %.
func TestBaselineTakesCrosstalkOff(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	at := func(name string) string { return filepath.Join(dir, name) }
	far := "start_s,stop_s,x_m,y_m,z_m,qw,qx,qy,qz\n0,1,0,0,30,1,0,0,0\n"
	if err := os.WriteFile(at("far.csv"), []byte(far), 0o666); err != nil {
		t.Fatal(err)
	}
	rig := rigFile("pipe-bench.rig.yaml")
	// The phases of the crosstalk are drawn from the seed: the same for both.
	common := []string{"--crosstalk", "2e-6", "--noise", "8e-9", "--seed", "5"}
	tonepose(t, append([]string{"simulate", rig, "--path", at("far.csv"), "--duration", "1s", "--out", at("far")}, common...)...)
	tonepose(t, append([]string{"simulate", rig, "--path", "stations", "--out", at("run")}, common...)...)
	solve := []string{"solve", at("run"), "--rig", rig, "--intervals", at("run.intervals.csv"), "--figures", "none", "--quiet", "--out"}
	report := func(out string) assessment.Report {
		a, err := assess.Compare(t.Context(), at(out), at("run.truth.csv"), assess.Options{})
		if err != nil {
			t.Fatal(err)
		}
		r, _ := assessment.Summarise(a.Samples)
		return r
	}
	tonepose(t, append(solve, at("plain"))...)
	tonepose(t, append(solve, at("mended"), "--baseline", at("far"))...)
	plain, mended := report("plain"), report("mended")
	// Its sigmas tell of the misfit, so that only the errors themselves show it.
	if plain.PositionRMS < 1.7*mended.PositionRMS {
		t.Errorf("crosstalk left no trace: %.4f mm RMS, without it %.4f mm", plain.PositionRMS*1e3, mended.PositionRMS*1e3)
	}
	if mended.NormalisedMean < 0.56 || mended.NormalisedMean > 1.44 {
		t.Errorf("with the baseline: normalised error %.2f, %.4f mm RMS", mended.NormalisedMean, mended.PositionRMS*1e3)
	}
}
