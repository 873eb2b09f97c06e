package cli

import (
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"tonepose/cmd/tonepose/internal/rig"
)

// Two plugs exchanged between sensors are named for both, from the samples on:
// the recording is simulated with the exchange, and solved without knowing of it.
// The same bench as it should be is not accused.
func TestExchangeAcrossSensors(t *testing.T) {
	t.Parallel()
	text, err := os.ReadFile(mixedRig(t))
	if err != nil {
		t.Fatal(err)
	}
	// Loops instead of thick windings: what is sought is the same, and found ten times as fast.
	drawn := writeFile(t, "drawn.rig.yaml", strings.ReplaceAll(string(text), "type: winding, inner_radius_m: 0.02, outer_radius_m: 0.03, length_m: 0.02,", "type: loop, radius_m: 0.025,"))
	r, err := rig.Load(drawn, rig.Options{})
	if err != nil {
		t.Fatal(err)
	}
	exchanged := writeFile(t, "exchanged.rig.yaml", strings.NewReplacer("{channel: rx2,", "{channel: needle,", "{channel: needle,", "{channel: rx2,").Replace(string(r.Text)))
	for built, want := range map[string]bool{exchanged: true, drawn: false} {
		b := &inventedBench{dir: t.TempDir(), drawn: drawn, built: built, rig: r, random: rand.New(rand.NewPCG(9, 9))}
		recording, truth := b.stations(t, "run", 3, 0.03)
		sum, said := solved(t, filepath.Join(b.dir, "out"), recording, "--rig", drawn, "--intervals", truth)
		if got := strings.Contains(said, "channels rx2 and needle look exchanged"); got != want {
			t.Errorf("exchanged %v: said %q", want, said)
		}
		for _, g := range sum.Verdicts {
			if want && (len(g.Faults) != 1 || g.Faults[0].Frames != 3) || !want && len(g.Faults) > 0 {
				t.Errorf("exchanged %v: %s has faults %+v", want, g.Sensor, g.Faults)
			}
		}
	}
}
