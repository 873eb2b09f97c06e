package simulate

import (
	"errors"
	"io"
	"math"
	"math/cmplx"
	"sync"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/motion/motiontest"
	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/cmd/tonepose/internal/stream"
	"tonepose/fieldmodels/rigid"
)

var _ stream.Source = (*Generator)(nil)

func generator(t testing.TB, r *rig.Rig, p *Path, o Options, samples int64) *Generator {
	t.Helper()
	g, err := NewGenerator(t.Context(), r, p, o, samples)
	if err != nil {
		t.Fatal(err)
	}
	return g
}

// volts are the next n samples of a channel each.
func volts(t testing.TB, g *Generator, n int) [][]float64 {
	t.Helper()
	x := make([][]float64, g.Info().Channels)
	for c := range x {
		x[c] = make([]float64, n)
	}
	if got, err := g.ReadPlanar(x); got != n || err != nil {
		t.Fatalf("%d of %d samples, error %v", got, n, err)
	}
	return x
}

// counted is tone hz of x, whose first sample is number first, by a sum over whole
// periods of all tones at 50 kHz.
func counted(x []float64, first int, hz float64) complex128 {
	var sum complex128
	for i, v := range x {
		sum += complex(v, 0) * cmplx.Rect(1, -2*math.Pi*math.Mod(hz*float64(first+i)/50000, 1))
	}
	return sum * complex(2/float64(len(x)), 0)
}

// Counts are the volts over the scale, however many are read at a time, to the last.
func TestCountsAreTheVolts(t *testing.T) {
	r := loadRig(t, testRig)
	for _, bits := range []int{8, 16} {
		o := Options{Bits: bits, Noise: 5e-9, MainsHz: 50, MainsV: 1e-5, Seed: 2}
		const n = 5001
		want := volts(t, generator(t, r, sweep(t, r, 0.2), o, n), n)
		g := generator(t, r, sweep(t, r, 0.2), o, n)
		scale, channels := g.Info().Scale, g.Info().Channels
		for at, ask := 0, 1; ; ask = ask*3 + 1 {
			x := make([]int16, min(ask, 3000)*channels)
			m, err := g.ReadInt16(x)
			for i := range m {
				for c := range channels {
					if got := float64(x[i*channels+c]) * scale[c]; got != want[c][at+i] {
						t.Fatalf("%d bits, channel %d, sample %d: %g V, want %g V", bits, c, at+i, got, want[c][at+i])
					}
				}
			}
			if at += m; errors.Is(err, io.EOF) {
				if at != n {
					t.Errorf("%d samples, want %d", at, n)
				}
				break
			}
			if err != nil {
				t.Fatal(err)
			}
		}
	}
}

// What is turned at a sample shows in the tones of the channels from there on.
func TestChangesShowInTheTones(t *testing.T) {
	r := loadRig(t, testRig)
	rest := rigid.Pose{Position: r3.Vec{X: 0.02, Z: 0.1}, Rotation: rigid.Identity().Rotation}
	// Stretches of 1000 samples hold 100 and 140 whole periods; couplings of a resting
	// sensor do not change.
	const at, n = 1500, 1000
	before := volts(t, generator(t, r, resting(t, rest), Options{}, 0), n)
	e1, e2, ref := counted(before[0], 0, 5000), counted(before[0], 0, 7000), counted(before[1], 0, 5000)
	for name, c := range map[string]struct {
		change      Change
		e1, e2, ref complex128 // factors
	}{
		"drive off":     {Drive{0, 0}, 0, 1, 0},
		"drive doubled": {Drive{1, 2}, 1, 2, 1},
		"emitter away":  {Away{0, true}, 0, 1, 1},
		"back again":    {Away{1, false}, 1, 1, 1},
		"unplugged":     {Leads{0, 0}, 0, 0, 1},
		"reversed":      {Leads{0, -1}, -1, -1, 1},
		"no reference":  {Leads{1, 0}, 1, 1, 0},
	} {
		g := generator(t, r, resting(t, rest), Options{}, 0)
		if got, err := g.Change(at, c.change); got != at || err != nil {
			t.Fatalf("%s: at sample %d, error %v; want %d", name, got, err, at)
		}
		x := volts(t, g, at+n)
		for _, s := range []struct {
			what       string
			got, want  complex128
			from, size complex128
		}{
			{"e1", counted(x[0][at:], at, 5000), c.e1 * e1, counted(x[0][:n], 0, 5000), e1},
			{"e2", counted(x[0][at:], at, 7000), c.e2 * e2, counted(x[0][:n], 0, 7000), e2},
			{"reference of e1", counted(x[1][at:], at, 5000), c.ref * ref, counted(x[1][:n], 0, 5000), ref},
		} {
			// Both are sums of 1000 samples in double precision.
			if cmplx.Abs(s.got-s.want) > 1e-12*cmplx.Abs(s.size) || cmplx.Abs(s.from-s.size) > 1e-12*cmplx.Abs(s.size) {
				t.Errorf("%s: %s is %v before, %v after; want %v, %v", name, s.what, s.from, s.got, s.size, s.want)
			}
		}
	}
}

// A change that comes too late for its sample is made at the next, and says which.
func TestLateChangeSaysWhenItHolds(t *testing.T) {
	r := loadRig(t, testRig)
	g := generator(t, r, resting(t, rigid.Pose{Position: r3.Vec{X: 0.02, Z: 0.1}, Rotation: rigid.Identity().Rotation}), Options{}, 0)
	volts(t, g, 1000)
	at, err := g.Change(10, Drive{0, 0})
	if err != nil || at < 1000 || at >= 1000+synthAtOnce {
		t.Fatalf("at sample %d, error %v; want one of the first after 1000", at, err)
	}
	if _, err := g.Change(10, Drive{1, 0}); err != nil {
		t.Fatal(err)
	}
	x := volts(t, g, 2000)
	for i, v := range x[1] {
		if on := v != 0; on != (i+1000 < int(at)) {
			t.Fatalf("sample %d is %g V; the drives go off at %d", i+1000, v, at)
		}
	}
}

func TestBadChangesSayWhy(t *testing.T) {
	r := loadRig(t, testRig)
	g := generator(t, r, sweep(t, r, 1), Options{}, 0)
	for _, c := range []struct {
		change Change
		want   string
	}{
		{Drive{2, 0}, "emitter 2: there are 2"},
		{Drive{0, math.NaN()}, "the factor of a current is NaN: must be finite"},
		{Away{-1, true}, "emitter -1: there are 2"},
		{Leads{2, 0}, "channel 2: there are 2"},
		{Noise{-1}, "a noise density is -1: must be 0 or more"},
		{Mains{1e-5}, "mains of 1e-05 V without a frequency: state it from the start"},
		{Clock{2e4}, "clock off by 20000 ppm: must be within ±10000"},
		{Move{Sensor: 0, To: rigid.Pose{}}, "move to {{0 0 0} (0+0i+0j+0k)}: must be a pose"},
		{Move{Sensor: 1, To: rigid.Identity()}, "sensor 1: there are 1"},
		{Return{Sensor: 0, Seconds: 1e-4}, "a move within 0.0001 s: must be at least 1 ms"},
	} {
		if _, err := g.Change(0, c.change); err == nil || err.Error() != c.want {
			t.Errorf("%+v: %v, want %q", c.change, err, c.want)
		}
	}
}

// A sensor that is moved by hand, again before it is there, and let go: poses without a
// jump, with the derivatives that couplings need, and where it was told to be.
func TestCourse(t *testing.T) {
	r := loadRig(t, testRig)
	g := generator(t, r, sweep(t, r, 1), Options{}, 0)
	here := rigid.Pose{Position: r3.Vec{X: 0.05, Z: 0.2}, Rotation: rigid.Exp(r3.Vec{X: 1})}
	there := rigid.Pose{Position: r3.Vec{Y: -0.05, Z: 0.15}, Rotation: rigid.Exp(r3.Vec{Y: 1, Z: 0.5})}
	for _, c := range []struct {
		at     int64
		change Change
	}{{20000, Move{0, there, 0.2}}, {15000, Move{0, here, 0.2}}, {50000, Return{0, 0.3}}} {
		if at, err := g.Change(c.at, c.change); at != c.at || err != nil {
			t.Fatal(at, err)
		}
	}
	path := g.paths[0]
	own, _, _ := path.At(0.2)
	if got := g.Pose(0, 0.2); got != own {
		t.Errorf("at %v before it is moved, want %v", got, own)
	}
	if got := g.Pose(0, 0.7); got != there {
		t.Errorf("at %v, want %v", got, there)
	}
	own, _, _ = path.At(2)
	if got := g.Pose(0, 2); got != own {
		t.Errorf("back at %v, want %v", got, own)
	}
	motiontest.Derivatives(t, g.coils.courses[0].At, 0.25, 1.5)
}

// The course of a clock that is turned: the rate is the derivative of what it is ahead,
// also across what has been settled, and ends where it was told to.
func TestClockCourse(t *testing.T) {
	var c clockCourse
	turns := []struct{ at, rate float64 }{{1, 150e-6}, {1.05, -20e-6}, {2, 0}, {9, 30e-6}}
	const h = 1e-5
	for i, turn := range turns {
		before, _ := c.at(turn.at)
		c.turn(turn.at, turn.rate)
		if after, _ := c.at(turn.at); math.Abs(after-before) > 1e-18 {
			t.Errorf("turned at %g s: jumps by %g s", turn.at, after-before)
		}
		until := 10.0
		if i+1 < len(turns) {
			until = turns[i+1].at
		}
		for at := turn.at - lateS; at < until; at += 0.0137 {
			a, _ := c.at(at - h)
			b, _ := c.at(at + h)
			_, rate := c.at(at)
			// The rate bends by at most 6·150e-6/glideS² = 0.09 /s²: h²/6 of that, where
			// its bend jumps h/2; and rounding of the differences.
			if d := math.Abs((b-a)/(2*h) - rate); d > 0.2*h*h/2+1e-18/h {
				t.Fatalf("at %g s: rate %g, difference %g", at, rate, (b-a)/(2*h))
			}
		}
		if _, rate := c.at(until + glideS + lateS); i+1 == len(turns) && math.Abs(rate-turn.rate) > 1e-18 {
			t.Errorf("rate %g, want %g", rate, turn.rate)
		}
	}
	if len(c.glides) > 2 {
		t.Errorf("%d glides are kept", len(c.glides))
	}
}

// After a clock was turned, a tone has the frequency that it says, and no jump of phase.
func TestClockTurnsTheTones(t *testing.T) {
	r := loadRig(t, testRig)
	g := generator(t, r, resting(t, rigid.Pose{Position: r3.Vec{X: 0.02, Z: 0.1}, Rotation: rigid.Identity().Rotation}), Options{ClockPPM: 20}, 0)
	const at, n = 10000, 1000
	if _, err := g.Change(at, Clock{150}); err != nil {
		t.Fatal(err)
	}
	x := volts(t, g, 40000)[1]
	last, from := 0.0, counted(x[:n], 0, 5000)
	for first := n; first+n <= len(x); first += n {
		turned := cmplx.Phase(counted(x[first:first+n], first, 5000) / from)
		// The rate grows from 20 to 150 ppm; over 20 ms, a turn of 2π·5000·20 ms·rate.
		ppm := (turned - last) / (2 * math.Pi * 5000 * 0.02) * 1e6
		ppm -= math.Round(ppm/1e4) * 1e4
		want := 20.0
		if first > at+5000+n {
			want = 150
		}
		if first+n > at && first <= at+5000+n {
			if ppm < 20-0.1 || ppm > 150+0.1 {
				t.Errorf("sample %d: %g ppm while it glides from 20 to 150", first, ppm)
			}
		} else if math.Abs(ppm-want) > 0.1 { // the other tone leaks by 1e-4 of a turn
			t.Errorf("sample %d: %g ppm, want %g", first, ppm, want)
		}
		last = turned
	}
}

// A course remembers what it had to be for a minute, and no more.
func TestCourseForgets(t *testing.T) {
	c := course{{to: still(rigid.Identity())}}
	for i := range 100000 {
		now := 0.01 * float64(i)
		c.add(leg{now, 0.05, still(rigid.Pose{Position: r3.Vec{X: now}, Rotation: rigid.Identity().Rotation})}, now)
	}
	if n := len(c); n < 6000 || n > 6010 {
		t.Errorf("%d legs of 10 ms are remembered, want those of 60 s", n)
	}
	if p, _, _ := c.At(945.0); math.Abs(p.Position.X-945) > 0.06 {
		t.Errorf("55 s back the sensor is at %g m, want 945 m within what it moves in 50 ms", p.Position.X)
	}
}

// A bench that is turned while it is read, by others; and it does not allocate while
// nothing is turned.
func TestGeneratorIsTurnedWhileItIsRead(t *testing.T) {
	r := loadRig(t, testRig)
	g := generator(t, r, sweep(t, r, 1), Options{Bits: 16, Noise: 5e-9, FlickerHz: 100, MainsHz: 50, MainsV: 1e-5, ClockPPM: 30}, 0)
	x := make([]int16, 2*5000)
	var turning sync.WaitGroup
	turning.Go(func() {
		for i := range 2000 {
			to := rigid.Pose{Position: r3.Vec{X: 0.05 * math.Sin(float64(i)), Z: 0.15}, Rotation: rigid.Identity().Rotation}
			if _, err := g.Change(0, Move{To: to}); err != nil {
				t.Error(err)
			}
			g.Change(0, Clock{float64(i % 100)})
			g.Change(0, Noise{float64(i%3) * 1e-9})
			g.Pose(0, 0)
		}
	})
	for range 20 {
		if _, err := g.ReadInt16(x); err != nil {
			t.Fatal(err)
		}
	}
	turning.Wait()
	if allocations := testing.AllocsPerRun(20, func() { g.ReadInt16(x) }); allocations != 0 {
		t.Errorf("%g allocations a block", allocations)
	}
}
