package assess_test

import (
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"tonepose/cmd/tonepose/internal/assess"
	"tonepose/cmd/tonepose/internal/rig"
)

// A truth tells nothing of times beyond its ends: a sensor that brakes is not where it would be had
// it gone on. Times that were rounded are forgiven, as a path of half an acceleration times the
// square of that time is nothing.
func TestNoTruthBeyondItsEnds(t *testing.T) {
	const acceleration = 2.0 // [m/s²]
	var text strings.Builder
	text.WriteString("time_s,sensor,x_m,y_m,z_m,qw,qx,qy,qz\n")
	for i := range 21 {
		at := 0.1 + 5e-3*float64(i)
		fmt.Fprintf(&text, "%.6f,probe,%.9f,0,0.2,1,0,0,0\n", at, acceleration/2*at*at)
	}
	name := filepath.Join(t.TempDir(), "truth.csv")
	if err := os.WriteFile(name, []byte(text.String()), 0o600); err != nil {
		t.Fatal(err)
	}
	bench, err := rig.Load(filepath.Join(data, "rigs", "pipe-bench.rig.yaml"), rig.Options{})
	if err != nil {
		t.Fatal(err)
	}
	truth, err := assess.ReadTruth(name, bench, time.Time{})
	if err != nil {
		t.Fatal(err)
	}
	const window = 10e-3
	for _, c := range []struct {
		at    float64
		known bool
	}{
		{0.099, false}, {0.0998, true}, {0.1, true}, {0.15, true}, {0.2, true}, {0.2002, true}, {0.201, false}, {0.2049, false}, {0.21, false},
	} {
		pose, ok := truth.At(0, c.at, window)
		if ok != c.known {
			t.Errorf("at %g s known is %v: want %v", c.at, ok, c.known)
		}
		beyond := max(0, c.at-0.2, 0.1-c.at)
		off := acceleration/2*beyond*beyond + 1e-8 // and what nine decimals leave
		if want := acceleration / 2 * c.at * c.at; ok && math.Abs(pose.Position.X-want) > off {
			t.Errorf("at %g s the truth is %.9f m: want %.9f within %.2g", c.at, pose.Position.X, want, off)
		}
	}
}
