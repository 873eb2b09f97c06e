package campaign

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/bench"
	"tonepose/cmd/tonepose/internal/simulate"
	"tonepose/fieldmodels/rigid"
)

// Pose is a random pose in the middle of the pipe bench's working volume.
func Pose(random *rand.Rand) rigid.Pose {
	var p rigid.Pose
	p.Position = r3.Vec{X: 0.05 * (random.Float64() - 0.5), Y: 0.05 * (random.Float64() - 0.5), Z: 0.16 + 0.04*random.Float64()}
	axis := r3.Vec{X: random.NormFloat64(), Y: random.NormFloat64(), Z: random.NormFloat64()}
	p.Rotation = rigid.Exp(r3.Scale(3*random.Float64()/r3.Norm(axis), axis))
	return p
}

// Wander is a random smooth motion about a pose: three sinusoids along each axis
// and about each.
type Wander struct {
	centre rigid.Pose
	hz     [6][3]float64
	phase  [6][3]float64
	size   [6][3]float64
}

// NewWander draws a motion with the RMS speed [m/s] and turning rate [rad/s] asked
// for, within some 8 cm. Zero for both rests.
func NewWander(random *rand.Rand, speed, turns float64) *Wander {
	w := &Wander{centre: Pose(random)}
	for c := range w.hz {
		rms, reach := speed/math.Sqrt(3), 0.08 // of a component [m/s] and how far it may go [m]
		if c >= 3 {
			rms, reach = turns/math.Sqrt(3), 0.5
		}
		// A sinusoid of peak a has an RMS rate of √2·π·f·a.
		least := rms / (math.Sqrt2 * math.Pi * reach)
		for k := range w.hz[c] {
			w.hz[c][k] = max(0.3, least) * (0.8 + 0.4*random.Float64())
			w.phase[c][k] = 2 * math.Pi * random.Float64()
			w.size[c][k] = rms / math.Sqrt(3) / (math.Sqrt2 * math.Pi * w.hz[c][k])
		}
	}
	return w
}

// At is the pose at a time [s].
func (w *Wander) At(t float64) rigid.Pose {
	var d [6]float64
	for c := range d {
		for k, hz := range w.hz[c] {
			d[c] += w.size[c][k] * math.Sin(2*math.Pi*hz*t+w.phase[c][k])
		}
	}
	return w.centre.Plus(r3.Vec{X: d[0], Y: d[1], Z: d[2]}, r3.Vec{X: d[3], Y: d[4], Z: d[5]})
}

// Path is the motion of the first sensor of a bench, as simulate wants it. A
// cubic through poses 4 ms apart follows 2 Hz within (2π·2·0.004)⁴/384 = 2e-8 of its
// size, 2 nm.
func (w *Wander) Path(t testing.TB, b *bench.Bench, seconds float64) *simulate.Path {
	t.Helper()
	var text strings.Builder
	text.WriteString("time_s,x_m,y_m,z_m,qw,qx,qy,qz\n")
	const step = 4e-3
	for i := range int(seconds/step) + 2 {
		p := w.At(step * float64(i))
		q := p.Rotation
		fmt.Fprintf(&text, "%.6f,%.12g,%.12g,%.12g,%.12g,%.12g,%.12g,%.12g\n", step*float64(i), p.Position.X, p.Position.Y, p.Position.Z, q.Real, q.Imag, q.Jmag, q.Kmag)
	}
	return readPath(t, b, text.String())
}

// Rests is a path of one long station a pose, of length seconds each, with moves of
// 20 ms between them.
func Rests(t testing.TB, b *bench.Bench, seconds float64, poses ...rigid.Pose) *simulate.Path {
	t.Helper()
	var text strings.Builder
	text.WriteString("start_s,stop_s,x_m,y_m,z_m,qw,qx,qy,qz\n")
	const move = 20e-3
	for i, p := range poses {
		start, q := float64(i)*(seconds+move), p.Rotation
		fmt.Fprintf(&text, "%.6f,%.6f,%.12g,%.12g,%.12g,%.12g,%.12g,%.12g,%.12g\n", start, start+seconds, p.Position.X, p.Position.Y, p.Position.Z, q.Real, q.Imag, q.Jmag, q.Kmag)
	}
	return readPath(t, b, text.String())
}

func readPath(t testing.TB, b *bench.Bench, text string) *simulate.Path {
	t.Helper()
	name := filepath.Join(t.TempDir(), "path.csv")
	if err := os.WriteFile(name, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	path, err := simulate.ReadPath(name, []string{b.Sensors()[0].Name})
	if err != nil {
		t.Fatal(err)
	}
	return path
}
