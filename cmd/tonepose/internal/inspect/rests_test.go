package inspect

import (
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/bench"
	"tonepose/cmd/tonepose/internal/measure"
	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/fieldmodels/rigid"
)

// The recording's own truth says when the probe rested at which of 27 stations: every rest is
// found inside of it, most of it, and under its number; also where the plan lacks a station
// that was visited, or has one that was not.
func TestRestsAreThoseOfTheTruth(t *testing.T) {
	const recorded = "../../../../testdata/recordings/pipe-bench-stations"
	truth, err := tables.ReadTruth(recorded+".truth.csv", nil)
	if err != nil {
		t.Fatal(err)
	}
	few := truth[:0:0]
	for k := 2; k < len(truth); k += 11 {
		few = append(few, truth[k])
	}
	plan := func(name string, truth []tables.Station, leave int, more string) string {
		var b strings.Builder
		b.WriteString("start_s,stop_s,station,sensor,x_m,y_m,z_m,qw,qx,qy,qz\n")
		for i, s := range truth {
			p, q := s.Pose.Position, s.Pose.Rotation
			if i != leave {
				fmt.Fprintf(&b, ",,%s,probe,%g,%g,%g,%.9g,%.9g,%.9g,%.9g\n", s.Label, p.X, p.Y, p.Z, q.Real, q.Imag, q.Jmag, q.Kmag)
			}
			if i == leave {
				b.WriteString(more)
			}
		}
		file := filepath.Join(t.TempDir(), name)
		if err := os.WriteFile(file, []byte(b.String()), 0o600); err != nil {
			t.Fatal(err)
		}
		return file
	}
	for _, c := range []struct {
		plan    string
		want    []tables.Station
		without string
		missing []string
	}{
		{plan("whole.csv", truth, -1, ""), truth, "", nil},
		// Three of 27 stations: the time between them says nothing of how short they are.
		{plan("few.csv", few, -1, ""), few, "", nil},
		{plan("changed.csv", truth, 4, ",,never,probe,0.15,0.15,0.35,0,0,0,1\n"), truth, truth[4].Label, []string{"never"}},
	} {
		in, err := Run(t.Context(), measure.Input{Recording: recorded + ".sigmf-meta", Rig: "../../../../testdata/rigs/pipe-bench.rig.yaml"}, c.plan)
		if err != nil {
			t.Fatal(err)
		}
		found := map[string]Rest{}
		for _, r := range in.Rests.Found {
			found[r.Station] = r
		}
		beside := 0
		for _, s := range c.want {
			if s.Label == c.without {
				beside++
				continue
			}
			r, ok := found[s.Label]
			if !ok || r.StartS < s.Start || r.StopS > s.Stop || r.StopS-r.StartS < (s.Stop-s.Start)/2 {
				t.Errorf("%s: station %s rested from %g to %g s: found %+v", c.plan, s.Label, s.Start, s.Stop, r)
			}
		}
		if r := in.Rests; len(found)+beside != len(c.want) || len(r.Beside) != len(truth)-len(found) || strings.Join(r.Missing, ",") != strings.Join(c.missing, ",") || r.ByOrder {
			t.Errorf("%s: %d found, beside %+v, missing %v", c.plan, len(found), r.Beside, r.Missing)
		}
	}
}

// Pairs keep their order, and stay apart where that is nearer.
func TestAlign(t *testing.T) {
	near := func(pairs ...[2]int) func(r, s int) float64 {
		return func(r, s int) float64 {
			for _, p := range pairs {
				if p == [2]int{r, s} {
					return 0.1
				}
			}
			return 9
		}
	}
	for _, c := range []struct {
		rests, stations int
		distance        func(r, s int) float64
		want            []int
	}{
		{3, 3, near([2]int{0, 0}, [2]int{1, 1}, [2]int{2, 2}), []int{0, 1, 2}},
		{3, 4, near([2]int{0, 0}, [2]int{1, 2}, [2]int{2, 3}), []int{0, 2, 3}},
		{4, 2, near([2]int{1, 0}, [2]int{3, 1}), []int{-1, 0, -1, 1}},
		{2, 2, near([2]int{0, 1}, [2]int{1, 0}), []int{-1, 0}}, // against the order: one of the two
		{2, 0, near(), []int{-1, -1}},
		{0, 2, near(), nil},
	} {
		got := align(c.rests, c.stations, 1, c.distance)
		if fmt.Sprint(got) != fmt.Sprint(c.want) && !(len(got) == 2 && fmt.Sprint(got) == "[1 -1]" && c.want[1] == 0) {
			t.Errorf("%d rests, %d stations: %v, want %v", c.rests, c.stations, got, c.want)
		}
	}
}

// A turn about the one axis of a sensor's coils is not seen, one across it is.
func TestBetweenPosesOfOneAxis(t *testing.T) {
	axis := r3.Vec{Z: 1}
	var a rigid.Pose
	a.Rotation.Real = 1
	b := a.Plus(r3.Vec{X: 0.003}, r3.Vec{Z: 2})
	c := b.Plus(r3.Vec{}, r3.Vec{X: 0.25})
	for _, test := range []struct {
		pose rigid.Pose
		axis *r3.Vec
		turn float64
	}{{b, &axis, 0}, {b, nil, 2}, {c, &axis, 0.25}} {
		// Angles come from quaternions of rounded parts, small ones by a root.
		if off, turn := between(test.pose, a, test.axis); math.Abs(off-0.003) > 1e-15 || math.Abs(turn-test.turn) > 1e-7 {
			t.Errorf("off %g m, turned %g rad; want 0.003 and %g", off, turn, test.turn)
		}
	}
}

// A plan may have stations of one sensor while another, on the same bench, rests as well: those
// rests are of no station.
func TestRestsOfASensorWithoutStations(t *testing.T) {
	for _, name := range []string{"pipe-bench", "sound-card"} { // with digitised drives, and played ones
		r, err := rig.Load("../../../../testdata/rigs/"+name+".rig.yaml", rig.Options{})
		if err != nil {
			t.Fatal(err)
		}
		out := &Rests{}
		mismatch, err := out.match(make([]Rest, 2), nil, 0, bench.New(r))
		if mismatch != nil || err != nil || len(out.Found) != 0 || len(out.Beside) != 2 || len(out.left) != 0 || out.ByOrder {
			t.Errorf("%s: %v, %v, %+v", name, mismatch, err, out)
		}
	}
}
