package simulate

import (
	"errors"
	"math"
	"math/cmplx"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/fieldmodels"
	"tonepose/fieldmodels/metal"
	"tonepose/fieldmodels/rigid"
)

// onAxis is a loop with a ball and a point pickup on its axis.
const onAxis = `name: axis
sample_rate_hz: 50000
working_volume: {min_m: [-1, -1, -1], max_m: [1, 1, 1]}
channels:
- {name: rx1, gain: 100}
- {name: drive}
emitters:
- name: e1
  tone_hz: 5000
  current_a_peak: 0.5
  model: {type: loop, center_m: [0, 0, 0], axis: [0, 0, 1], radius_m: 0.1, turns: 10}
  reference: {channel: drive, transimpedance_ohm: 2}
sensors:
- {name: probe, coils: [{channel: rx1, center_m: [0, 0, 0], axis: [0, 0, 1], area_turns_m2: 0.002}]}
`

func axisPose(z float64) rigid.Pose {
	return rigid.Pose{Position: r3.Vec{Z: z}, Rotation: rigid.Identity().Rotation}
}

// nearBall is the coupling [H] of the loop at z = 0 and a pickup at z with a ball at b on
// their axis. B = μ0·N·R²/2(R²+b²)^(3/2) per ampere at the ball (Griffiths, Introduction to
// Electrodynamics, 4th ed., Ex. 5.6) makes the moment α·B/μ0, whose field on the axis is
// 2·μ0/4π over the cube of the distance (Jackson, 3rd ed., eq. 5.56).
func nearBall(z, b, radius float64, m metal.Material) complex128 {
	along := func(z float64) float64 { return fieldmodels.Mu0 * 10 * 0.01 / 2 / math.Pow(0.01+z*z, 1.5) }
	moment := metal.Polarisability(radius, m, 5000) * complex(along(b)/fieldmodels.Mu0, 0)
	return 0.002 * (complex(along(z), 0) + moment*complex(2*fieldmodels.Mu0/(4*math.Pi)/math.Pow(math.Abs(b-z), 3), 0))
}

// A ball that comes, is carried and goes, by the voltages of coils that rest.
func TestBallOnAxisAgainstClosedForm(t *testing.T) {
	r := loadRig(t, onAxis)
	for _, material := range []string{"stainless", "steel"} {
		m := metal.Materials[material]
		g := generator(t, r, resting(t, axisPose(0.05)), Options{}, 0)
		ball, err := g.AddMetal(rig.Metal{Name: "ball", Shape: "ball", CenterM: r3.Vec{Z: 0.2}, RadiusM: 0.015, Material: m})
		if err != nil {
			t.Fatal(err)
		}
		for _, c := range []struct {
			at     int64
			change Change
		}{{5000, Metal{ball, true}}, {10000, Carry{ball, r3.Vec{Z: 0.15}, 0.05}}, {15000, Metal{ball, false}}} {
			if at, err := g.Change(c.at, c.change); at != c.at || err != nil {
				t.Fatal(at, err)
			}
		}
		if p, there := g.Ball(ball, 0.25); p.Z != 0.15 || !there {
			t.Errorf("the ball is at %v, present %v", p, there)
		}
		x := volts(t, g, 20000)
		air := complex(0.002*fieldmodels.Mu0*10*0.01/2/math.Pow(0.01+0.05*0.05, 1.5), 0)
		for _, c := range []struct {
			from int
			want complex128
		}{{0, air}, {6000, nearBall(0.05, 0.2, 0.015, m)}, {13000, nearBall(0.05, 0.15, 0.015, m)}, {16000, air}} {
			voltage, current := counted(x[0][c.from:c.from+1000], c.from, 5000)/100, counted(x[1][c.from:c.from+1000], c.from, 5000)/2
			got := voltage / (complex(0, -2*math.Pi*5000) * current)
			if cmplx.Abs(got-c.want) > 1e-10*cmplx.Abs(c.want) {
				t.Errorf("%s, from sample %d: M = %v H, want %v H", material, c.from, got, c.want)
			}
		}
	}
}

// The field of a ball that moves past a coil at rest gives the voltage −dλ/dt.
func TestMovingBallGivesTheRate(t *testing.T) {
	r := loadRig(t, onAxis)
	g := generator(t, r, resting(t, axisPose(0.05)), Options{}, 0)
	ball, err := g.AddMetal(rig.Metal{Name: "ball", Shape: "ball", CenterM: r3.Vec{Z: 0.3}, RadiusM: 0.015, Material: metal.Materials["stainless"]})
	if err != nil {
		t.Fatal(err)
	}
	g.Change(0, Metal{ball, true})
	g.Change(1000, Carry{ball, r3.Vec{Z: 0.15}, 0.2})
	m, dm, early, late, none := make([]complex128, 1), make([]complex128, 1), make([]complex128, 1), make([]complex128, 1), make([]complex128, 1)
	const h = 1e-5
	for at := 0.025; at < 0.215; at += 0.01 {
		for _, ask := range []struct {
			t     float64
			m, dm []complex128
		}{{at - h, early, none}, {at, m, dm}, {at + h, late, none}} {
			if err := g.coils.fill(ask.t, ask.m, ask.dm); err != nil {
				t.Fatal(err)
			}
		}
		// Velocities of a course are differences good to 1e-9 m/s, fields are to h² of
		// their third derivative, (20/0.2 s)³ of what the ball adds, at most 1e-2 of M.
		if d := cmplx.Abs((late[0]-early[0])/(2*h) - dm[0]); d > cmplx.Abs(m[0])*(1e-2*h*h/6*1e6+4e-16/h) {
			t.Errorf("at %g s: rate %v H/s, differences %v", at, dm[0], (late[0]-early[0])/(2*h))
		}
	}
}

// A scene's file does what its events say, and a recording's truth follows a sensor that
// it carries.
func TestSceneOfARecording(t *testing.T) {
	r := loadRig(t, testRig)
	dir := t.TempDir()
	scene, out := filepath.Join(dir, "s.yaml"), filepath.Join(dir, "run")
	write := func(text string) {
		t.Helper()
		if err := os.WriteFile(scene, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	write(`events:
- {time_s: 0.02, emitter: e1, drive: 0}
- {time_s: 0.03, sensor: probe, position_m: [0, 0.05, 0.2], within_s: 0.01}
`)
	if _, err := Write(t.Context(), r, resting(t, axisPose(0.1)), out, Options{Scene: scene}, nil); err != nil {
		t.Fatal(err)
	}
	x := readAll(t, out, r)[1] // float samples of the drives
	for i, want := range map[int]float64{0: 1, 1500: 0} {
		if got := cmplx.Abs(counted(x[i:i+1000], i, 5000)) / (0.5 * 2 * 0.5); math.Abs(got-want) > 1e-6 {
			t.Errorf("from sample %d: e1 has %g of its current, want %g", i, got, want)
		}
	}
	truth, err := os.ReadFile(out + ".truth.csv")
	if err != nil {
		t.Fatal(err)
	}
	if want := "\n0.050000,probe,0.0000000000,0.0500000000,0.2000000000,1.0"; !strings.Contains(string(truth), want) {
		t.Errorf("truth without%s:\n%s", want, truth)
	}
	if _, err := os.Stat(out + ".intervals.csv"); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("intervals of a sensor that is carried away: %v", err)
	}

	write("metal:\n- {name: ball, shape: ball, center_m: [0, 0, 0.1], radius_m: 0.02, material: brass}\n")
	_, err = Write(t.Context(), r, resting(t, axisPose(0.1)), filepath.Join(dir, "inside"), Options{Scene: scene}, nil)
	if want := "coil 1 of sensor probe at (0.0020, 0.0000, 0.1010) m, metal ball: metal: the coil is inside of the metal: keep the path clear of it"; err == nil || !strings.HasSuffix(err.Error(), want) {
		t.Errorf("got %v, want %q", err, want)
	}
	write("events:\n- {time_s: 0, mains_v: 1e-5}\n")
	_, err = Write(t.Context(), r, resting(t, axisPose(0.1)), filepath.Join(dir, "mains"), Options{Scene: scene}, nil)
	if want := "event at 0 s: mains of 1e-05 V without a frequency: state it from the start"; err == nil || !strings.HasSuffix(err.Error(), want) {
		t.Errorf("got %v, want %q", err, want)
	}
	if left, _ := os.ReadDir(dir); len(left) != 4 {
		t.Errorf("%d files, want the scene, and three of the run: %v", len(left), left)
	}
}
