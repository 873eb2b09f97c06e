package clock

import (
	"math"
	"math/rand/v2"
	"testing"

	"tonepose/multitone"
)

// drive is what a channel with two drives records that run ahead by ppm and drift by
// 1 ppm/s; off tells whether the second is off at a sample.
func drive(n int, rate, ppm float64, off func(i int) bool) []float64 {
	random := rand.New(rand.NewPCG(1, 2))
	x := make([]float64, n)
	for i := range x {
		s := float64(i) / rate
		s += ppm*1e-6*s + 0.5e-6*s*s
		x[i] = math.Cos(2*math.Pi*1000*s) + 1e-4*random.NormFloat64()
		if off == nil || !off(i) {
			x[i] += math.Cos(2*math.Pi*1600*s + 1)
		}
	}
	return x
}

var driven = []multitone.Tone{{Name: "a", Hz: 1000, Reference: multitone.OnChannel(0)}, {Name: "b", Hz: 1600, Reference: multitone.OnChannel(0)}}

// A look tells what a Track does, to the last bit, however often it is asked, and takes no
// memory once the first seconds are over.
func TestLooksAreTracks(t *testing.T) {
	const rate, block = 20000, 500
	x := drive(8*rate, rate, 120, nil)
	one, err := NewTracker(Common, rate, driven)
	if err != nil {
		t.Fatal(err)
	}
	two, _ := NewTracker(Common, rate, driven)
	for at := 0; at < len(x); at += block {
		for _, tr := range []*Tracker{one, two} {
			if err := tr.Write([][]float64{x[at : at+block]}); err != nil {
				t.Fatal(err)
			}
		}
		if at%2000 != 1500 || at < 3500 {
			continue
		}
		looked, err := one.Look()
		if err != nil {
			t.Fatal(err)
		}
		if at%8000 != 7500 {
			continue
		}
		track, err := two.Track()
		if err != nil {
			t.Fatal(err)
		}
		now := float64(at+block) / rate
		for k := range driven {
			for _, s := range []float64{0, now / 3, now - 0.7, now, now + 0.1} {
				if looked.HzAt(k, s) != track.HzAt(k, s) || looked.Cycles(k, s) != track.Cycles(k, s) || looked.Sigma(k, s) != track.Sigma(k, s) {
					t.Fatalf("at %g s, tone %d at %g s: %g Hz and %g", now, k, s, looked.HzAt(k, s), track.HzAt(k, s))
				}
			}
		}
	}
	if n := testing.AllocsPerRun(20, func() {
		if _, err := one.Look(); err != nil {
			t.Fatal(err)
		}
	}); n > 1 { // the Track that ends a look
		t.Errorf("a look makes %g allocations", n)
	}
}

// A drive that is off shows crosstalk and what others leave at its frequency: known by
// the volts that it should have, it is lost from then on until it is back, and its return
// costs the clock nothing. So do samples that were skipped.
func TestADriveIsLostAndReturns(t *testing.T) {
	const rate, block = 20000, 500
	x := drive(6*rate, rate, 120, func(i int) bool { return i >= 2*rate && i < 3*rate })
	for i := range x { // 1 mV of crosstalk
		x[i] += 1e-3 * math.Cos(2*math.Pi*1600*float64(i)/rate)
	}
	tr, err := NewTracker(Common, rate, driven)
	if err != nil {
		t.Fatal(err)
	}
	tr.Expect([]float64{1, 1})
	for at := 0; at < len(x); at += block {
		if at >= 4*rate && at < 4*rate+4000 {
			if at == 4*rate {
				if err := tr.Skip(int64(at + 4000)); err != nil {
					t.Fatal(err)
				}
			}
			continue
		}
		if err := tr.Write([][]float64{x[at : at+block]}); err != nil {
			t.Fatal(err)
		}
		if at < 3500 || at%2000 != 1500 {
			continue
		}
		k, err := tr.Look()
		if err != nil {
			t.Fatal(err)
		}
		now := int64(at + block)
		lost := false
		for _, l := range k.Lost {
			if l.Tone != 1 {
				t.Errorf("tone %d is lost", l.Tone)
			}
			lost = lost || l.Start < now && l.Stop >= now
		}
		// A block that is half off is not lost; blocks are of 20 ms.
		if want := now > 2*rate+800 && now <= 3*rate; lost != want && (now < 3*rate || now > 3*rate+800) {
			t.Errorf("at %g s lost: %t", float64(now)/rate, lost)
		}
		// A line through 0.2 s of phases and more; noise of 1e-4 V in a block of 400 samples
		// is 7e-6 rad, over which the drift counts: 1 ppm/s over the half second to the
		// middle of what is fitted.
		s := float64(now) / rate
		if off := k.HzAt(0, s)/1000 - 1 - (120e-6 + 1e-6*s); now > rate && math.Abs(off) > 0.7e-6 {
			t.Errorf("at %g s the clock is off by %g ppm", s, 1e6*off)
		}
	}
	if len(tr.track.Slips) > 0 {
		t.Errorf("slips %v", tr.track.Slips)
	}
}
