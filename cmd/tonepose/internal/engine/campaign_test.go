package engine

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/bench"
	"tonepose/cmd/tonepose/internal/simulate"
	"tonepose/cmd/tonepose/internal/verdict"
	"tonepose/fieldmodels/rigid"
	"tonepose/multitone/recording"
	"tonepose/multitone/window"
)

// wander is a random smooth motion: three sinusoids along each axis and about each,
// with the RMS speed [m/s] and turning rate [rad/s] asked for, within some 8 cm.
type wander struct {
	centre       rigid.Pose
	hz           [6][3]float64
	phase        [6][3]float64
	size         [6][3]float64
	speed, turns float64
}

func newWander(random *rand.Rand, speed, turns float64) *wander {
	w := &wander{speed: speed, turns: turns}
	w.centre.Position = r3.Vec{X: 0.05 * (random.Float64() - 0.5), Y: 0.05 * (random.Float64() - 0.5), Z: 0.16 + 0.04*random.Float64()}
	axis := r3.Vec{X: random.NormFloat64(), Y: random.NormFloat64(), Z: random.NormFloat64()}
	w.centre.Rotation = rigid.Exp(r3.Scale(3*random.Float64()/r3.Norm(axis), axis))
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

func (w *wander) at(t float64) rigid.Pose {
	var d [6]float64
	for c := range d {
		for k, hz := range w.hz[c] {
			d[c] += w.size[c][k] * math.Sin(2*math.Pi*hz*t+w.phase[c][k])
		}
	}
	return w.centre.Plus(r3.Vec{X: d[0], Y: d[1], Z: d[2]}, r3.Vec{X: d[3], Y: d[4], Z: d[5]})
}

// record simulates a bench whose probe wanders.
func (w *wander) record(t *testing.T, b *bench.Bench, seconds float64, seed uint64) string {
	t.Helper()
	var text strings.Builder
	text.WriteString("time_s,x_m,y_m,z_m,qw,qx,qy,qz\n")
	const step = 1e-3
	for i := range int(seconds/step) + 2 {
		p := w.at(step * float64(i))
		q := p.Rotation
		fmt.Fprintf(&text, "%.6f,%.12g,%.12g,%.12g,%.12g,%.12g,%.12g,%.12g\n", step*float64(i), p.Position.X, p.Position.Y, p.Position.Z, q.Real, q.Imag, q.Jmag, q.Kmag)
	}
	name := filepath.Join(t.TempDir(), "wander")
	if err := os.WriteFile(name+".csv", []byte(text.String()), 0o644); err != nil {
		t.Fatal(err)
	}
	path, err := simulate.ReadPath(name+".csv", []string{b.Sensors()[0].Name})
	if err != nil {
		t.Fatal(err)
	}
	how := simulate.Options{DurationS: seconds, Bits: 16, Noise: 8e-9, FlickerHz: 200, MainsHz: 50, MainsV: 5e-6, ClockPPM: 20, Seed: seed}
	if _, err := simulate.Write(t.Context(), b.Rig(), path, name, how, nil); err != nil {
		t.Fatal(err)
	}
	return name + ".sigmf-meta"
}

// score is what the frames of a cell show.
type score struct {
	n                int
	square           float64 // of position errors [m²]
	stated, alone    float64 // variances of positions: as stated, and of noise alone [m²]
	position, inside int     // frames inside the 95 % ellipsoid of position, and of all six
}

// play adds the frames of one recording.
func (s *score) play(t *testing.T, b *bench.Bench, w *wander, c *cell, seconds float64, seed uint64) {
	t.Helper()
	name := w.record(t, b, seconds, seed)
	variance := map[float64]float64{}
	for _, sharp := range []bool{true, false} {
		rec, err := b.Open(t.Context(), name, recording.Options{})
		if err != nil {
			t.Fatal(err)
		}
		defer rec.Close()
		e, err := New(b, Options{Windows: c.windows, Sharp: sharp, Causal: c.causal})
		if err != nil {
			t.Fatal(err)
		}
		_, _, err = e.Run(t.Context(), rec, func(seen *Observation) error {
			if seen.Sensors[0].Flags&^verdict.Motion != 0 {
				return nil // clipped near an emitter
			}
			fit := &seen.Sensors[0].Fit
			sum := fit.Covariance[0][0] + fit.Covariance[1][1] + fit.Covariance[2][2]
			if sharp {
				variance[seen.Time] = sum
				return nil
			}
			dp, dr := fit.Pose.Minus(w.at(seen.Time))
			s.n++
			s.square += r3.Norm2(dp)
			s.stated, s.alone = s.stated+sum, s.alone+variance[seen.Time]
			e := []float64{dp.X, dp.Y, dp.Z, dr.X, dr.Y, dr.Z}
			if overCovariance(t, &fit.Covariance, e[:3]) < 7.814728 { // chi-square, 95 %
				s.position++
			}
			if overCovariance(t, &fit.Covariance, e) < 12.591587 {
				s.inside++
			}
			return nil
		}, nil)
		if err != nil {
			t.Fatal(err)
		}
	}
}

func overCovariance(t *testing.T, c *[6][6]float64, e []float64) float64 {
	n := len(e)
	cov, d := mat.NewSymDense(n, nil), mat.NewVecDense(n, e)
	for i := range n {
		for k := i; k < n; k++ {
			cov.SetSym(i, k, c[i][k])
		}
	}
	var chol mat.Cholesky
	var solved mat.VecDense
	if !chol.Factorize(cov) || chol.SolveVecTo(&solved, d) != nil {
		t.Fatal("a covariance that is none")
	}
	return mat.Dot(d, &solved)
}

// cell is one way of averaging a motion.
type cell struct {
	name         string
	windows      Windows
	speed, turns float64
	causal       bool // as a stream, without the frames to come
}

func hann(length float64) Windows { return Windows{Length: length, Hop: length} }

func lowPass(s window.Spec) Windows { return Windows{LowPass: &LowPass{Spec: s}} }

// check plays as many recordings and holds a cell to its bounds: the RMS error is at
// most 1.15 times what noise alone predicts, the stated sigma at most 1.2 times the
// RMS error, and 93 to 97 % of the poses lie in their 95 % regions, each bound
// widened by three of its own sampling errors. Poses close in time share noise where
// windows overlap: as many as make independent ones count.
func (c cell) check(t *testing.T, recordings int, seconds float64) {
	b := pipeBench(t)
	var s score
	for seed := range recordings {
		w := newWander(rand.New(rand.NewPCG(uint64(seed+1), 10)), c.speed, c.turns)
		s.play(t, b, w, &c, seconds, uint64(seed+1))
	}
	n := float64(s.n)
	independent := n
	if c.windows.LowPass != nil {
		v, err := weightingOf(&c.windows, 1e5)
		if err != nil {
			t.Fatal(err)
		}
		independent = min(n, float64(recordings)*seconds/v.memory)
	}
	rms, stated, alone := math.Sqrt(s.square/n), math.Sqrt(s.stated/n), math.Sqrt(s.alone/n)
	position, inside := float64(s.position)/n, float64(s.inside)/n
	t.Logf("%d poses: RMS %.4f mm, stated %.4f, of noise alone %.4f; inside their 95 %% regions: position %.3f, all six %.3f", s.n, 1e3*rms, 1e3*stated, 1e3*alone, position, inside)
	// A mean square of 3n components of unequal size has a relative sampling error of √(2/n) at most.
	loose := 3 * math.Sqrt(2/independent) / 2
	if rms > (1.15+loose)*alone || stated > (1.2+loose)*rms {
		t.Errorf("RMS error %.4f mm, stated %.4f, of noise alone %.4f (each ± %.2f)", 1e3*rms, 1e3*stated, 1e3*alone, loose/3)
	}
	share := 3 * math.Sqrt(0.95*0.05/independent)
	for what, v := range map[string]float64{"position": position, "all six": inside} {
		if v < 0.93-share || v > 0.97+share {
			t.Errorf("%s: %.3f inside the 95 %% region, want 0.93 to 0.97 ± %.3f", what, v, share)
		}
	}
}

// Poses of a sensor that moves during a window are those at its centre, and as well
// known as they say.
func TestMotionInsideWindows(t *testing.T) {
	for _, c := range []cell{
		{"at rest", hann(10e-3), 0, 0, false},
		{"hann 20 ms", hann(20e-3), 0.5, 3, false},
		{"hann 20 ms, live", hann(20e-3), 0.5, 3, true},
		{"hann 40 ms", hann(40e-3), 1, 6, false},
		{"cascade", lowPass(window.Spec{Kind: window.Cascade, Order: 4, TimeConstantS: 2e-3}), 0.5, 3, false},
		{"soft cascade", lowPass(window.Spec{Kind: window.Cascade, Order: 4, TimeConstantS: 0.5e-3}), 0.5, 3, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			c.check(t, 2, 2)
		})
	}
}
