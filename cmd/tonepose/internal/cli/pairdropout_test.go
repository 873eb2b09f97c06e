package cli

import (
	"bytes"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/cmd/tonepose/internal/verdict"
)

// Windows of which a recorder lost every sample stay, flagged and without a sigma; the others are as
// good as they say. A stream tells so from its first sample on, though it reads ahead for the tone.
func TestPairWithDropOuts(t *testing.T) {
	t.Parallel()
	const rate, hz, peak, noise = 20000, 1001.3, 0.1, 0.01
	lost := func(at float64) bool { return at >= 0.2 && at < 0.35 || at >= 0.7 && at < 0.85 }
	random := rand.New(rand.NewPCG(6, 6))
	var text strings.Builder
	text.WriteString("time_s,reference,signal\n")
	for i := range rate {
		at := float64(i) / rate
		signal := "NaN"
		if !lost(at) {
			signal = fmt.Sprintf("%.6f", peak*math.Cos(2*math.Pi*hz*at+math.Pi/6)+noise*random.NormFloat64())
		}
		fmt.Fprintf(&text, "%.5f,%.6f,%s\n", at, math.Cos(2*math.Pi*hz*at), signal)
	}
	dir := t.TempDir()
	in := func(name string) string { return filepath.Join(dir, name) }
	if err := os.WriteFile(in("pair.csv"), []byte(text.String()), 0o644); err != nil {
		t.Fatal(err)
	}
	for _, command := range [][]string{{"measure", in("pair.csv")}, {"live", "play:" + in("pair.csv"), "--pace", "max", "--quiet"}} {
		out := in(command[0])
		var errs bytes.Buffer
		args := append(command, "--signal", "signal", "--reference", "reference", "--window", "50ms", "--out", out)
		if code := Run(t.Context(), args, Streams{In: strings.NewReader(""), Out: &bytes.Buffer{}, Err: &errs}); code != 0 {
			t.Errorf("%s: code %d, %s", command[0], code, &errs)
			continue
		}
		table, err := tables.Open[tables.Demodulated](filepath.Join(out, tables.DemodulatedName+".parquet"))
		if err != nil {
			t.Fatal(err)
		}
		rows, gone := 0, 0
		for r, err := range table.All() {
			if err != nil {
				t.Fatal(err)
			}
			rows++
			from, to := r.Time-r.Duration/2+1e-4, r.Time+r.Duration/2-1e-4 // two samples inside
			switch {
			case lost(from) && lost(to):
				gone++
				if r.Flags&verdict.Gap == 0 || !math.IsInf(r.Sigma, 1) && !math.IsNaN(r.Sigma) || !math.IsNaN(r.Phase) {
					t.Errorf("%s: at %g s, all lost: (%g ± %g) V, %g°, %v", command[0], r.Time, r.Amplitude, r.Sigma, r.Phase, r.Flags)
				}
			case lost(from) || lost(to):
			case r.Flags != 0 || math.Abs(r.Amplitude-peak) > 5*r.Sigma || math.Abs(r.Phase-30) > 5*r.SigmaPhase ||
				math.Abs(r.Sigma/(noise*math.Sqrt(3/(r.Duration*rate)))-1) > 0.3: // as in TestLivePair
				t.Errorf("%s: at %g s (%g ± %g) V, (%g ± %g)°, %v", command[0], r.Time, r.Amplitude, r.Sigma, r.Phase, r.SigmaPhase, r.Flags)
			}
		}
		table.Close()
		if rows != 20 || gone != 6 {
			t.Errorf("%s: %d rows, %d of them without samples", command[0], rows, gone)
		}
	}
}
