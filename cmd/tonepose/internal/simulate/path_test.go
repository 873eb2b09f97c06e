package simulate

import (
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/motion/motiontest"
	"tonepose/cmd/tonepose/internal/rig"
)

// boxed is a rig of named sensors in a working volume, without anything else.
func boxed(lowest, highest r3.Vec, sensors ...string) *rig.Rig {
	r := new(rig.Rig)
	r.WorkingVolume.Min, r.WorkingVolume.Max = lowest, highest
	for _, name := range sensors {
		r.Sensors = append(r.Sensors, rig.Sensor{Name: name})
	}
	return r
}

func TestSweepDerivativesAndBounds(t *testing.T) {
	lo, hi := r3.Vec{X: -0.2, Y: -0.2, Z: 0.03}, r3.Vec{X: 0.2, Y: 0.2, Z: 0.4}
	p, err := BuiltinPath("sweep", boxed(lo, hi, "a", "b"), 2, 9)
	if err != nil {
		t.Fatal(err)
	}
	if p.Duration != 2 {
		t.Errorf("duration %g s, want 2 s", p.Duration)
	}
	for i := range p.Tracks {
		motiontest.Derivatives(t, p.Tracks[i].motion.At, 0, 2)
		for at := 0.0; at < 2; at += 0.01 {
			pose, _, _ := p.Tracks[i].At(at)
			if c := pose.Position; c.X < lo.X || c.X > hi.X || c.Y < lo.Y || c.Y > hi.Y || c.Z < lo.Z || c.Z > hi.Z {
				t.Fatalf("t = %g s: %v outside the working volume", at, c)
			}
		}
	}
}

func TestStationsRestAndMoveSmoothly(t *testing.T) {
	p, err := BuiltinPath("stations", boxed(r3.Vec{}, r3.Vec{X: 1, Y: 1, Z: 1}, "a"), 0, 1)
	if err != nil {
		t.Fatal(err)
	}
	tr := p.Tracks[0]
	if len(tr.Stations) != 27 {
		t.Fatalf("%d stations, want 27", len(tr.Stations))
	}
	seen := map[r3.Vec]bool{}
	for i, s := range tr.Stations {
		seen[s.Pose.Position] = true
		for _, at := range []float64{s.Start, (s.Start + s.Stop) / 2, s.Stop} {
			got, v, w := tr.At(at)
			if got != s.Pose || v != (r3.Vec{}) || w != (r3.Vec{}) {
				t.Fatalf("station %d at %g s: %v, moving %v, turning %v", i, at, got, v, w)
			}
		}
		if i == 0 {
			continue
		}
		// Just after the start of a move and before its end, the quintic is
		// within 10u³ of the station.
		const u = 1e-3
		before := tr.Stations[i-1]
		after, _, _ := tr.At(before.Stop + u*moveS)
		dp, dr := after.Minus(before.Pose)
		if r3.Norm(dp) > 10*u*u*u*2 || r3.Norm(dr) > 10*u*u*u*math.Pi {
			t.Errorf("move %d starts with a jump of %g m, %g rad", i, r3.Norm(dp), r3.Norm(dr))
		}
	}
	if len(seen) != 27 {
		t.Errorf("%d different positions, want 27", len(seen))
	}
	motiontest.Derivatives(t, tr.motion.At, tr.Stations[3].Stop+1e-4, tr.Stations[4].Start-1e-4)
}

func TestPathFile(t *testing.T) {
	file := filepath.Join(t.TempDir(), "p.csv")
	parse := func(text string, sensors ...string) (*Path, error) {
		if err := os.WriteFile(file, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
		return ReadPath(file, sensors)
	}
	const pose = ",x_m,y_m,z_m,qw,qx,qy,qz\n"
	p, err := parse("time_s,sensor"+pose+
		"0,probe,0,0,0.1,1,0,0,0\n0.1,probe,0.01,0,0.1,1,0,0,0\n0.15,probe,0.01,0,0.1,1,0,0,0\n0.2,probe,0.02,0,0.1,0.7071,0.7071,0,0\n", "probe")
	if err != nil {
		t.Fatal(err)
	}
	if p.Duration != 0.2 {
		t.Errorf("duration %g s, want 0.2 s", p.Duration)
	}
	if err := p.Tracks[0].covers(0.3); err == nil {
		t.Error("a path of 0.2 s covers 0.3 s")
	}
	for want, text := range map[string]string{
		"p.csv: sensor probe: station 0.5 to 2 s overlaps station 0 to 1 s":          "start_s,stop_s" + pose + "0,1,0,0,0,1,0,0,0\n0.5,2,0,0,0,1,0,0,0\n",
		"p.csv: sensor probe: no time to move between the stations that meet at 1 s": "start_s,stop_s" + pose + "0,1,0,0,0,1,0,0,0\n1,2,1,0,0,1,0,0,0\n",
		"p.csv: sensor probe: pose 2, time 0 s: must exceed the time before it, 0 s": "time_s" + pose + "0,0,0,0,1,0,0,0\n0,0,0,0,1,0,0,0\n",
		"p.csv:2: time -1 s: must not be negative":                                   "time_s" + pose + "-1,0,0,0,1,0,0,0\n0,0,0,0,1,0,0,0\n",
		"p.csv: sensor probe: 2 timed poses: a smooth motion needs at least 4":       "time_s" + pose + "0,0,0,0,1,0,0,0\n1,0,0,0,1,0,0,0\n",
	} {
		if _, err := parse(text, "probe"); err == nil || !strings.HasPrefix(err.Error(), want) {
			t.Errorf("got %v, want %q", err, want)
		}
	}
	_, err = parse("start_s,stop_s,sensor"+pose+"0,1,a,0,0,0,1,0,0,0\n", "a", "b")
	if want := "p.csv: no row for sensor b"; err == nil || !strings.HasPrefix(err.Error(), want) {
		t.Errorf("got %v, want %q", err, want)
	}
	// Equal poses may meet: the bench changes, not the sensor.
	if _, err := parse("start_s,stop_s"+pose+"0,1,0,0,0,1,0,0,0\n1,2,0,0,0,-1,0,0,0\n", "probe"); err != nil {
		t.Errorf("equal poses that meet: %v", err)
	}
}
