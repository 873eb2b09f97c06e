package simulate

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/fieldmodels"
	"tonepose/fieldmodels/rigid"
	"tonepose/multitone/recording"
	"tonepose/testdata/published"
)

const testRig = `name: invented
sample_rate_hz: 50000
working_volume: {min_m: [-0.2, -0.2, 0.05], max_m: [0.2, 0.2, 0.3]}
channels:
- {name: rx1, full_scale_v: 0.05, gain: 100, delay_s: 2.0e-6}
- {name: drive, full_scale_v: 2, gain: 0.5, delay_s: 1.0e-6}
emitters:
- name: e1
  tone_hz: 5000
  current_a_peak: 0.5
  model: {type: loop, center_m: [0, 0, 0], axis: [0, 0, 1], radius_m: 0.1, turns: 10}
  reference: {channel: drive, transimpedance_ohm: 2}
- name: e2
  tone_hz: 7000
  current_a_peak: 0.25
  model: {type: loop, center_m: [0.1, 0, 0.01], axis: [0.3, 0, 1], radius_m: 0.03, turns: 40}
  reference: {channel: drive, transimpedance_ohm: 2}
sensors:
- name: probe
  coils:
  - {channel: rx1, center_m: [0.002, 0, 0.001], axis: [0, 0.2, 1], area_turns_m2: 0.002, radius_m: 0.004}
`

func loadRig(t *testing.T, text string) *rig.Rig {
	t.Helper()
	r, err := rig.Parse("test.rig.yaml", []byte(text), rig.Options{})
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func sweep(t *testing.T, r *rig.Rig, duration float64) *Path {
	t.Helper()
	p, err := BuiltinPath("sweep", r, duration, 3)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// resting is one station of 50 ms.
func resting(t *testing.T, pose rigid.Pose) *Path {
	t.Helper()
	track, err := newStationTrack("probe", []Station{{0, 0.05, pose}})
	if err != nil {
		t.Fatal(err)
	}
	return &Path{Tracks: []Track{track}, Duration: 0.05, knotStep: quickKnots}
}

func TestCouplingSlopeAgainstDifferences(t *testing.T) {
	r := loadRig(t, testRig)
	c, err := newCouplingMap(r, sweep(t, r, 2))
	if err != nil {
		t.Fatal(err)
	}
	c.coils = c.coils[:1]
	const h = 2e-5
	var m, a, b, dm, none [2]complex128
	for i := range 200 {
		at := 0.01 * (float64(i) + 0.5)
		for _, call := range []struct {
			t     float64
			m, dm []complex128
		}{{at, m[:], dm[:]}, {at - h, a[:], none[:]}, {at + h, b[:], none[:]}} {
			if err := c.fill(call.t, call.m, call.dm); err != nil {
				t.Fatal(err)
			}
		}
		for e := range m {
			// Fields change in no less than 20 ms here: (h/20 ms)²/6 = 2e-7 of
			// M/20 ms; rounding 2⁻⁵²·M/h.
			size := math.Max(cabs(m[e]), 1e-10)
			tolerance := size * (2e-7/0.02 + 2.3e-16/h*10)
			if d := cabs(dm[e] - (b[e]-a[e])/(2*h)); d > tolerance {
				t.Fatalf("t = %g s, emitter %d: slope off by %g H/s, tolerance %g", at, e+1, d, tolerance)
			}
		}
	}
}

func cabs(z complex128) float64 { return math.Hypot(real(z), imag(z)) }

// The coupling of a disc coaxial with a loop is the mutual inductance of two
// circular filaments.
//
// Source: Maxwell, Treatise, art. 701; Rosa and Grover, Bulletin of the Bureau of
// Standards 8(1), 1912, formula (1).
func TestCouplingAgainstMutualInductanceOfCoaxialCircles(t *testing.T) {
	used := 0
	for _, row := range published.Table(t, "mutual_coaxial_circles.csv") {
		big, small := row.Number("radius1_m"), row.Number("radius2_m")
		distance, want := row.Number("axial_distance_m"), row.Number("mutual_inductance_H")
		// The disc rule leaves out degree 8 and more of the flux density, which
		// falls as (small/√(big²+distance²))⁸; take rows where that is below 1e-6.
		ratio := small / math.Hypot(big, distance)
		rest := math.Pow(ratio, 8)
		if rest > 1e-6 {
			continue
		}
		used++
		r := loadRig(t, fmt.Sprintf(`name: circles
sample_rate_hz: 50000
working_volume: {min_m: [-1, -1, -1], max_m: [1, 1, 1]}
channels:
- {name: rx1}
emitters:
- {name: e1, tone_hz: 5000, current_a_peak: 1, model: {type: loop, center_m: [0, 0, 0], axis: [0, 0, 1], radius_m: %g, turns: 1}}
sensors:
- {name: probe, coils: [{channel: rx1, center_m: [0, 0, 0], axis: [0, 0, 1], area_turns_m2: %.17g, radius_m: %g}]}
`, big, math.Pi*small*small, small))
		c, err := newCouplingMap(r, resting(t, rigid.Pose{Position: r3.Vec{Z: distance}, Rotation: rigid.Identity().Rotation}))
		if err != nil {
			t.Fatal(err)
		}
		var m, dm [1]complex128
		if err := c.fill(0, m[:], dm[:]); err != nil {
			t.Fatal(err)
		}
		want *= fieldmodels.Mu0 / (4e-7 * math.Pi) // the table has 4π·10⁻⁷
		if got := real(m[0]); math.Abs(got-want) > (rest+1e-12)*want {
			t.Errorf("circles of %g and %g m, %g m apart: %.12g H, want %.12g H within %.1g", big, small, distance, got, want, rest)
		}
	}
	if used < 2 {
		t.Errorf("only %d rows of the table serve", used)
	}
}

// readAll returns a recording's volts.
func readAll(t *testing.T, name string, r *rig.Rig) [][]float64 {
	t.Helper()
	o := recording.Options{SampleRate: r.SampleRateHz}
	for _, c := range r.Channels {
		o.Names = append(o.Names, c.Name)
		o.FullScale = append(o.FullScale, c.FullScaleV)
	}
	rec, err := recording.Open(context.Background(), name, o)
	if err != nil {
		t.Fatal(err)
	}
	defer rec.Close()
	all := make([][]float64, len(r.Channels))
	buf := make([][]float64, len(r.Channels))
	for c := range buf {
		buf[c] = make([]float64, 1000)
	}
	for {
		n, err := rec.ReadPlanar(buf)
		for c := range all {
			all[c] = append(all[c], buf[c][:n]...)
		}
		if errors.Is(err, io.EOF) {
			return all
		}
		if err != nil {
			t.Fatal(err)
		}
	}
}

func TestEveryFormatHoldsTheSameVolts(t *testing.T) {
	r := loadRig(t, testRig)
	p := sweep(t, r, 0.2)
	dir := t.TempDir()
	for _, bits := range []int{0, 8, 16, 24} {
		var want [][]float64
		for _, name := range []string{"a.sigmf-meta", "a.npy", "a.wav", "a.csv"} {
			out := filepath.Join(dir, fmt.Sprintf("%d-%s", bits, name))
			s, err := Write(context.Background(), r, p, out, Options{
				Bits: bits, Noise: 5e-9, MainsHz: 60, MainsV: 1e-5, Seed: 2, Force: true,
			}, nil)
			if err != nil {
				t.Fatal(err)
			}
			if s.Recording != out || s.Samples != 10000 {
				t.Errorf("summary %+v, want %s of 10000 samples", s, out)
			}
			got := readAll(t, out, r)
			if want == nil {
				want = got
			}
			for c := range got {
				if len(got[c]) != 10000 {
					t.Fatalf("%s: %d samples, want 10000", out, len(got[c]))
				}
				for i := range got[c] {
					// Nine decimal digits of text, or a float's 24 bits of volts or
					// of full scale.
					if d := math.Abs(got[c][i] - want[c][i]); d > 1.2e-7*math.Abs(want[c][i]) {
						t.Fatalf("%s, channel %d, sample %d: %.12g V, want %.12g V", out, c, i, got[c][i], want[c][i])
					}
				}
			}
		}
	}
}

// The voltage on the axis of a loop has a closed form: B = μ0·N·R²/2(R²+z²)^(3/2)
// per ampere (Griffiths, Introduction to Electrodynamics, 4th ed., Ex. 5.6),
// v = −A·dB/dt, late by the channel's delay.
func TestVoltageOnAxisAgainstClosedForm(t *testing.T) {
	r := loadRig(t, `name: axis
sample_rate_hz: 50000
working_volume: {min_m: [-1, -1, -1], max_m: [1, 1, 1]}
channels:
- {name: rx1, gain: 100, delay_s: 2.0e-6}
- {name: drive, gain: 0.5, delay_s: 1.0e-6}
emitters:
- name: e1
  tone_hz: 5000
  current_a_peak: 0.5
  model: {type: loop, center_m: [0, 0, 0], axis: [0, 0, 1], radius_m: 0.1, turns: 10}
  reference: {channel: drive, transimpedance_ohm: 2}
sensors:
- {name: probe, coils: [{channel: rx1, center_m: [0, 0, 0.01], axis: [0, 0, 1], area_turns_m2: 0.002}]}
`)
	out := filepath.Join(t.TempDir(), "axis")
	// Turned half a turn about x at z = 0.21 m: the coil is at 0.2 m, looking down.
	pose := rigid.Pose{Position: r3.Vec{Z: 0.21}, Rotation: quat.Number{Imag: 1}}
	if _, err := Write(context.Background(), r, resting(t, pose), out, Options{}, nil); err != nil {
		t.Fatal(err)
	}
	x := readAll(t, out, r)
	// 50 ms hold 250 whole periods, so that the sums are the phasors at time zero.
	phasor := func(x []float64) complex128 {
		var sum complex128
		for i, v := range x {
			s, c := math.Sincos(2 * math.Pi * 5000 * float64(i) / 50000)
			sum += complex(v*c, -v*s)
		}
		return sum * complex(2/float64(len(x)), 0)
	}
	delayed := func(seconds float64) complex128 {
		s, c := math.Sincos(2 * math.Pi * 5000 * seconds)
		return complex(c, s)
	}
	current := phasor(x[1]) * delayed(1e-6) / (0.5 * 2)
	voltage := phasor(x[0]) * delayed(2e-6) / 100
	m := -fieldmodels.Mu0 * 10 * 0.01 / 2 / math.Pow(0.01+0.04, 1.5) * 0.002
	got := voltage / (complex(0, -2*math.Pi*5000) * current)
	// Float samples: 2⁻²⁴ each, less in the mean.
	if cabs(got-complex(m, 0)) > 1e-7*math.Abs(m) {
		t.Errorf("M = %.10g H, want %.10g H", got, m)
	}
	if math.Abs(cabs(current)-0.5) > 1e-7 {
		t.Errorf("current %.9g A, want 0.5 A", cabs(current))
	}
}

func TestFilesAppearAllOrNone(t *testing.T) {
	r := loadRig(t, testRig)
	p := sweep(t, r, 0.1)
	dir := t.TempDir()
	out := filepath.Join(dir, "run")
	o := Options{Bits: 16, Noise: 5e-9}
	canceled, cancel := context.WithCancel(context.Background())
	cancel()
	if _, err := Write(canceled, r, p, out, o, nil); !errors.Is(err, context.Canceled) {
		t.Errorf("a canceled run gives %v", err)
	}
	near := sweep(t, r, 0.1) // through the wire of e1
	track, err := newStationTrack("probe", []Station{{0, 0.1, rigid.Pose{Position: r3.Vec{X: 0.098, Z: -0.001}, Rotation: rigid.Identity().Rotation}}})
	if err != nil {
		t.Fatal(err)
	}
	near.Tracks[0] = track
	pointRig := loadRig(t, strings.Replace(testRig, "radius_m: 0.004", "radius_m: 0", 1))
	if _, err := Write(context.Background(), pointRig, near, out, o, nil); !errors.Is(err, fieldmodels.ErrOnConductor) {
		t.Errorf("a pickup on a wire gives %v", err)
	}
	if left, _ := os.ReadDir(dir); len(left) != 0 {
		t.Errorf("failed runs left %v", left)
	}
	read := func() []byte {
		if _, err := Write(context.Background(), r, p, out, o, nil); err != nil {
			t.Fatal(err)
		}
		var all []byte
		for _, ext := range []string{".sigmf-meta", ".sigmf-data", ".truth.csv"} {
			b, err := os.ReadFile(out + ext)
			if err != nil {
				t.Fatal(err)
			}
			all = append(all, b...)
		}
		return all
	}
	first := read()
	if _, err := Write(context.Background(), r, p, out, o, nil); err == nil || !strings.Contains(err.Error(), "--force") {
		t.Errorf("an existing recording: %v, want a refusal that names --force", err)
	}
	o.Force = true
	if !bytes.Equal(first, read()) {
		t.Error("equal calls give different files")
	}
	if left, _ := os.ReadDir(dir); len(left) != 3 {
		t.Errorf("%d files, want 3: %v", len(left), left)
	}
}

func TestBadSimulationsSayWhy(t *testing.T) {
	r := loadRig(t, testRig)
	bare := loadRig(t, strings.ReplaceAll(strings.ReplaceAll(testRig, "full_scale_v: 0.05, ", ""), "full_scale_v: 2, ", ""))
	for _, c := range []struct {
		rig  *rig.Rig
		out  string
		o    Options
		want string
	}{
		{r, "a", Options{Bits: 12}, "12 bits a sample: must be 8, 16 or 24"},
		{bare, "a", Options{Bits: 16}, "channel rx1 has no full_scale_v"},
		{bare, "a.wav", Options{}, "channel rx1 has no full scale"},
		{r, "a.wav", Options{RateHz: 50000.5}, "whole sample rate, not 50000.5 Hz"},
		{r, "a", Options{DurationS: 1}, "the path ends at 0.1 s, before the recording's 1 s"},
		{r, "a", Options{DurationS: 1e-9}, "hold no sample"},
	} {
		_, err := Write(context.Background(), c.rig, sweep(t, r, 0.1), filepath.Join(t.TempDir(), c.out), c.o, nil)
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("got %v, want %q", err, c.want)
		}
	}
}

// ending is a resting sensor whose motion ends a context when it was asked so often.
type ending struct {
	asked, last int
	end         context.CancelFunc
}

func (m *ending) At(float64) (p rigid.Pose, velocity, angular r3.Vec) {
	if m.asked++; m.asked == m.last {
		m.end()
	}
	return rigid.Pose{Position: r3.Vec{X: 0.02, Z: 0.1}, Rotation: quat.Number{Real: 1}}, velocity, angular
}

// A slow recording of a large bench has seconds of couplings between two blocks of
// samples: the context is asked at each of them, here once for the one pickup.
func TestSimulationEndsWithinABlock(t *testing.T) {
	r := loadRig(t, strings.Replace(testRig, "sample_rate_hz: 50000", "sample_rate_hz: 20000", 1))
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	const truth = 1*truthRateHz + 1 // its rows ask first
	m := &ending{last: truth + 10, end: cancel}
	p := &Path{Tracks: []Track{{Sensor: "probe", motion: m, last: 1}}, Duration: 1, knotStep: quickKnots}
	if _, err := Write(ctx, r, p, filepath.Join(t.TempDir(), "run"), Options{}, nil); !errors.Is(err, context.Canceled) {
		t.Fatalf("error %v", err)
	}
	if m.asked != m.last {
		t.Errorf("%d couplings after the end of the context", m.asked-m.last)
	}
}
