package inspect

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"tonepose/cmd/tonepose/internal/measure"
	"tonepose/cmd/tonepose/internal/tables"
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
	plan := func(name string, leave int, more string) string {
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
		without string
		missing []string
	}{
		{plan("whole.csv", -1, ""), "", nil},
		{plan("changed.csv", 4, ",,never,probe,0.15,0.15,0.35,0,0,0,1\n"), truth[4].Label, []string{"never"}},
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
		for _, s := range truth {
			if s.Label == c.without {
				beside++
				continue
			}
			r, ok := found[s.Label]
			if !ok || r.StartS < s.Start || r.StopS > s.Stop || r.StopS-r.StartS < (s.Stop-s.Start)/2 {
				t.Errorf("%s: station %s rested from %g to %g s: found %+v", c.plan, s.Label, s.Start, s.Stop, r)
			}
		}
		if r := in.Rests; len(found)+beside != len(truth) || len(r.Beside) != beside || strings.Join(r.Missing, ",") != strings.Join(c.missing, ",") || r.ByOrder {
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
