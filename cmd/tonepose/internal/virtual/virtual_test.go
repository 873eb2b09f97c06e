package virtual

import (
	"encoding/json"
	"math"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/fieldmodels/mutual"
	"tonepose/fieldmodels/rigid"
)

func set(t *testing.T, b *Bench, text string) (anew bool, err error) {
	t.Helper()
	var values map[string]json.RawMessage
	if err := json.Unmarshal([]byte(text), &values); err != nil {
		t.Fatal(err)
	}
	return b.Set(values)
}

// rms is that of the differences of successive samples of the first channel, which
// the noise of a quiet bench decides, and the mean of all samples.
func rms(t *testing.T, b *Bench, samples int) float64 {
	t.Helper()
	x := make([][]float64, len(b.known.Channels))
	for c := range x {
		x[c] = make([]float64, samples)
	}
	if n, err := b.generator.ReadPlanar(x); n != samples || err != nil {
		t.Fatalf("%d samples: %v", n, err)
	}
	sum := 0.0
	for i := 1; i < samples; i++ {
		d := x[0][i] - x[0][i-1]
		sum += d * d
	}
	return math.Sqrt(sum / float64(samples-1))
}

// With all drives off what is left of a pickup is white noise: differences of successive
// samples have √2·D·G·√(rate/2) of it, with 1/f noise and mains beside, which differ
// little from sample to sample.
func TestNoiseIsWhatIsTurned(t *testing.T) {
	b, err := New(t.Context(), AsBuilt, 1)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := set(t, b, `{"drive": [0,0,0,0,0,0,0,0], "mains": 0}`); err != nil {
		t.Fatal(err)
	}
	gain, rate := b.known.Channels[0].Gain, b.known.SampleRateHz
	rms(t, b, 20000) // until all of it holds
	for _, density := range []float64{1e-7, 1e-6} {
		text, _ := json.Marshal(density)
		if _, err := set(t, b, `{"noise": `+string(text)+`}`); err != nil {
			t.Fatal(err)
		}
		rms(t, b, 5000)
		have, want := rms(t, b, 100000), math.Sqrt2*density*gain*math.Sqrt(rate/2)
		// The scatter of 100000 squares is half a percent; steps of 76 µV and 1/f noise with
		// its corner at 300 Hz add under 2 % to the lower of the two.
		if math.Abs(have/want-1) > 0.03 {
			t.Errorf("%g V/√Hz: differences of %g V rms, want %g", density, have, want)
		}
	}
}

// A ball that is dragged onto the sensor, or lies in its path, gives way: the bench goes on.
func TestBallGivesWay(t *testing.T) {
	b, err := New(t.Context(), AsBuilt, 1)
	if err != nil {
		t.Fatal(err)
	}
	for _, text := range []string{`{"follow_path": false, "sensor_position": [0.02, 0.01, 0.1], "metal": true, "metal_position": [0.02, 0.01, 0.1]}`,
		`{"metal_position": [0.02, 0.01, 0.14], "metal_radius": 0.04}`, `{"follow_path": true, "metal_radius": 0.02}`} {
		if _, err := set(t, b, text); err != nil {
			t.Fatalf("%s: %v", text, err)
		}
		if have := rms(t, b, 60000); !(have > 0) || math.IsInf(have, 1) {
			t.Errorf("%s: differences of %g V rms", text, have)
		}
	}
}

// What is turned is checked as a whole: a wrong value turns nothing.
func TestKnobsAreChecked(t *testing.T) {
	b, err := New(t.Context(), AsBuilt, 1)
	if err != nil {
		t.Fatal(err)
	}
	for _, text := range []string{`{"noise": 1e-8, "mains": -1}`, `{"noise": 1e-8, "nosuch": 1}`, `{"window": "long"}`, `{"drive": [1]}`, `{"drive": {"x": 1}}`,
		`{"sensor_position": [0, 0]}`, `{"sensor_position": [0, 0, 1]}`, `{"taper": "none"}`, `{"metal": 3}`, `{"reversed": {"3": true}}`} {
		if _, err := set(t, b, text); err == nil {
			t.Errorf("%s was taken", text)
		}
	}
	if s := b.State(); s.Noise != 5e-9 {
		t.Errorf("the noise was turned to %g", s.Noise)
	}
	for text, want := range map[string]bool{`{"noise": 1e-8, "drive": {"3": 0}, "reversed": {"1": true}, "away": {"7": true}}`: false, `{"window": 0.02}`: true,
		`{"clock_ignored": true}`: true, `{"metal": true, "metal_radius": 0.0312}`: false, `{"follow_path": false, "sensor_position": [0, 0, 0.2]}`: false} {
		if anew, err := set(t, b, text); err != nil || anew != want {
			t.Errorf("%s: begins anew %v, %v", text, anew, err)
		}
	}
	s := b.State()
	if s.Drive[3] != 0 || s.Drive[2] != 1 || !s.Reversed[1] || !s.Away[7] || s.MetalRadius != 0.031 {
		t.Errorf("the knobs stand at %+v", s)
	}
	if windows, _ := b.Measuring(); windows.Length != 0.02 || windows.Hop > windows.Length {
		t.Errorf("windows of %g s, each %g s", windows.Length, windows.Hop)
	}
	if anew, err := b.Reset(); err != nil || !anew {
		t.Errorf("turned back: %v, %v", anew, err)
	}
	if _, err := New(t.Context(), "nosuch", 1); err == nil {
		t.Error("a variant that is none")
	}
	for _, k := range b.Knobs() {
		if k.Label == "" || k.Kind == "" || k.Start == nil || k.Value == nil {
			t.Errorf("knob %+v", k)
		}
	}
}

// A loop and the dipole of the same moment agree far away, within (R/r)² of it times 3/2
// (the next term of the loop's field on its axis, 3R²/2r², is its largest); close by
// they do not.
func TestDipolesAreThoseOfTheLoops(t *testing.T) {
	real, known, err := rigs(Dipoles)
	if err != nil {
		t.Fatal(err)
	}
	var all [2][]float64
	for _, at := range []r3.Vec{{Z: 2}, {Z: 0.05, X: 0.06, Y: 0.06}} {
		for i, r := range []*rig.Rig{real, known} {
			array, err := r.Array()
			if err != nil {
				t.Fatal(err)
			}
			m, err := mutual.New(array, r.Sensor(0))
			if err != nil {
				t.Fatal(err)
			}
			all[i] = make([]float64, 24)
			if err := m.Evaluate(rigid.Pose{Position: at, Rotation: rigid.Identity().Rotation}, all[i], nil); err != nil {
				t.Fatal(err)
			}
		}
		scale, off := 0.0, 0.0
		for k := range all[0] {
			scale, off = max(scale, math.Abs(all[0][k])), max(off, math.Abs(all[0][k]-all[1][k]))
		}
		far := r3.Norm(at) > 1
		if limit := 1.5 * (0.032 * 0.032) / (1.9 * 1.9); far && off > limit*scale {
			t.Errorf("far away a dipole is off by %g of the loop's, want under %g", off/scale, limit)
		}
		if !far && off < 0.01*scale {
			t.Errorf("close by a dipole is off by %g of the loop's alone", off/scale)
		}
	}
}

// Coils of the bench that is not calibrated stand 1 mm beside where its rig says.
func TestDisplacedByAMillimetre(t *testing.T) {
	real, known, err := rigs(Uncalibrated)
	if err != nil {
		t.Fatal(err)
	}
	for i := range real.Emitters {
		d := r3.Norm(r3.Sub(real.Emitters[i].Model.CenterM, known.Emitters[i].Model.CenterM))
		if math.Abs(d-1e-3) > 2e-6 { // six decimals in each direction
			t.Errorf("%s stands %g m beside", real.Emitters[i].Name, d)
		}
	}
	real, _, err = rigs(CloseTones)
	if err != nil {
		t.Fatal(err)
	}
	if d := real.Emitters[1].ToneHz - real.Emitters[0].ToneHz; d != 65 {
		t.Errorf("tones %g Hz apart", d)
	}
	if real, _, err = rigs(OneCoil); err != nil || len(real.Sensors[0].Coils) != 1 {
		t.Errorf("one coil: %v, %v", real.Sensors[0].Coils, err)
	}
}
