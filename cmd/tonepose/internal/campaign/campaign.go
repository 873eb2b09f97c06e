// Package campaign has what tests of the whole chain share: benches, motions and
// disturbances drawn from seeds, recordings simulated of them, and the count of how
// far poses are from the truth and from what they say of themselves.
//
// A recording comes from simulate and synth, and a disturbance changes its volts by a
// formula of its own: never by the model that the engine has of it. Seeds are 1, 2,
// 3 …; none is chosen.
package campaign

import (
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/bench"
	"tonepose/cmd/tonepose/internal/engine"
	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/cmd/tonepose/internal/simulate"
	"tonepose/cmd/tonepose/internal/stream"
	"tonepose/fieldmodels/rigid"
	"tonepose/multitone/recording"
)

// PipeBench is the rig of testdata: eight loops, one probe with three coils.
func PipeBench(t testing.TB) *rig.Rig {
	t.Helper()
	_, here, _, _ := runtime.Caller(0)
	r, err := rig.Load(filepath.Join(filepath.Dir(here), "..", "..", "..", "..", "testdata", "rigs", "pipe-bench.rig.yaml"), rig.Options{})
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// Draw is a bench like the pipe bench, of other places, directions, sizes and tones:
// each loop up to 30 mm and 0.2 rad away, its radius by up to a third, its tone
// by up to 400 Hz in steps of 25 Hz.
func Draw(t testing.TB, random *rand.Rand) *rig.Rig {
	t.Helper()
	r := PipeBench(t)
	uniform := func(most float64) float64 { return most * (2*random.Float64() - 1) }
	vector := func(most float64) r3.Vec { return r3.Vec{X: uniform(most), Y: uniform(most), Z: uniform(most)} }
	for i := range r.Emitters {
		e := &r.Emitters[i]
		e.Model.CenterM = r3.Add(e.Model.CenterM, vector(0.03))
		e.Model.Axis = rigid.Rotate(rigid.Exp(vector(0.2)), e.Model.Axis)
		e.Model.RadiusM *= 1 + uniform(1./3)
		e.ToneHz += 25 * float64(random.IntN(33)-16)
	}
	return r
}

// Disturbance changes the volts of a recording at its converter's input, one slice
// a channel, before they are digitised: in place, or by other slices.
type Disturbance func(sampleRate float64, volts [][]float64) [][]float64

// Record simulates what a bench records on a path, disturbs it, and digitises it
// with 16 bits. A nil disturbance gives the twin of a disturbed recording: the same
// motion and noise. It returns the recording's file.
func Record(t testing.TB, b *bench.Bench, path *simulate.Path, how simulate.Options, disturb Disturbance) string {
	t.Helper()
	return record(t, b, path, how, 16, disturb)
}

// record digitises with so many bits; 0: as floats, which may be no numbers.
func record(t testing.TB, b *bench.Bench, path *simulate.Path, how simulate.Options, bits int, disturb Disturbance) string {
	t.Helper()
	name := filepath.Join(t.TempDir(), "recording")
	how.Bits = bits
	if disturb == nil {
		if _, err := simulate.Write(t.Context(), b.Rig(), path, name, how, nil); err != nil {
			t.Fatal(err)
		}
		return name + ".sigmf-meta"
	}
	how.Bits = 0
	if _, err := simulate.Write(t.Context(), b.Rig(), path, name+"-clean", how, nil); err != nil {
		t.Fatal(err)
	}
	rec, err := b.Open(t.Context(), name+"-clean.sigmf-meta", recording.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer rec.Close()
	info := rec.Info()
	volts := make([][]float64, info.Channels)
	for c := range volts {
		volts[c] = make([]float64, info.Samples)
	}
	view := make([][]float64, info.Channels)
	for done := 0; done < int(info.Samples); {
		for c := range view {
			view[c] = volts[c][done:min(done+1<<16, int(info.Samples))]
		}
		n, err := rec.ReadPlanar(view)
		if err != nil {
			t.Fatal(err)
		}
		done += n
	}
	store(t, b, name, bits, disturb(info.SampleRate, volts))
	return name + ".sigmf-meta"
}

// Digitise writes volts, one slice a channel of the bench, as a recording of 16 bits:
// STEM.sigmf-meta and -data. What exceeds a full scale is clipped.
func Digitise(t testing.TB, b *bench.Bench, stem string, volts [][]float64) {
	t.Helper()
	store(t, b, stem, 16, volts)
}

func store(t testing.TB, b *bench.Bench, stem string, bits int, volts [][]float64) {
	t.Helper()
	d := recording.Description{Format: "sigmf", SampleRate: b.Rig().SampleRateHz, Bits: bits, Samples: int64(len(volts[0])), Text: "Simulated; invented data"}
	for _, c := range b.Rig().Channels {
		d.Names, d.FullScale = append(d.Names, c.Name), append(d.FullScale, c.FullScaleV)
	}
	var files []*os.File
	for _, extension := range []string{".sigmf-data", ".sigmf-meta"} {
		f, err := os.Create(stem + extension)
		if err != nil {
			t.Fatal(err)
		}
		defer f.Close()
		files = append(files, f)
	}
	w, err := recording.NewWriter(files[0], files[1], d)
	if err == nil {
		err = w.Write(volts)
	}
	if err == nil {
		err = w.Close()
	}
	if err != nil {
		t.Fatal(err)
	}
}

// Played is what a recording shows besides its observations.
type Played struct {
	*stream.Survey
	Start *engine.Start // of the drives, where the recorder plays them
}

// Play solves a recording and lets each observation be seen.
func Play(t testing.TB, b *bench.Bench, name string, read recording.Options, o engine.Options, see func(*engine.Observation)) *Played {
	t.Helper()
	rec, err := b.Open(t.Context(), name, read)
	if err != nil {
		t.Fatal(err)
	}
	defer rec.Close()
	e, err := engine.New(b, o)
	if err != nil {
		t.Fatal(err)
	}
	survey, _, err := e.Run(t.Context(), rec, func(seen *engine.Observation) error {
		see(seen)
		return nil
	}, nil)
	if err != nil {
		t.Fatal(err)
	}
	return &Played{survey, e.Start()}
}
