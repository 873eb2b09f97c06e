package multitone

import (
	"math"
	"math/cmplx"
	"testing"

	lowpass "tonepose/multitone/window"
)

// Two steady tones behind a single stage of 3 ms, which lets 4 % of the one through
// beside the other, and 1 % of a line of the mains and of an offset beside both: what
// leaks is known to rounding, whatever the phases and where a reference has its own
// leak. The step response is within 1e-12 of its end after 28 time constants.
func TestLeakOfOtherTonesIsTakenOff(t *testing.T) {
	const rate, tau = 1e5, 3e-3
	tones := []Tone{{Name: "a", Hz: 5125, Reference: OnChannel(1)}, {Name: "b", Hz: 6325}}
	// Peak phasors of both tones on a pickup and on the drive's channel.
	truth := [2][2]complex128{{cmplx.Rect(2e-3, 0.4), cmplx.Rect(0.25, 1.1)}, {cmplx.Rect(0.06, -2), cmplx.Rect(1e-4, 0.3)}}
	spec := lowpass.Spec{Kind: lowpass.Cascade, Order: 1, TimeConstantS: tau}
	mains, offset := 150.0, []float64{5e-3, -2e-3}
	c, err := NewContinuous(Config{SampleRate: rate, Channels: 2, Tones: tones},
		Averaging{LowPass: spec, Every: 300, Precision: Double, Lines: []float64{mains}})
	if err != nil {
		t.Fatal(err)
	}
	p, err := lowpass.Design(spec, rate)
	if err != nil {
		t.Fatal(err)
	}
	x := [][]float64{make([]float64, int(0.2*rate)), make([]float64, int(0.2*rate))}
	for i := range x[0] {
		for channel := range x {
			x[channel][i] += offset[channel] + 20e-3*math.Cos(2*math.Pi*mains*float64(i)/rate+float64(channel))
		}
		for k, tone := range tones {
			turn := cmplx.Rect(1, 2*math.Pi*math.Mod(tone.Hz*float64(i)/rate, 1))
			for channel := range x {
				x[channel][i] += real(truth[k][channel] * turn)
			}
		}
	}
	l := NewLeak(p, tones, []float64{mains}, offset)
	before, after := 0.0, 0.0
	worst := func(f *Frame) (e float64) {
		for channel := range x {
			for k := range tones {
				want := truth[k][channel]
				if k == 0 {
					want *= cmplx.Conj(truth[0][1]) / complex(cmplx.Abs(truth[0][1]), 0)
				}
				e = max(e, cmplx.Abs(f.Phasor[k*2+channel]-want))
			}
		}
		return e
	}
	err = c.Write(x, func(raw *Frame) error {
		f := new(Frame) // which loses the line
		if raw.CopyTo(f); f.Stop < int64(30*tau*rate) {
			return nil
		}
		before = max(before, worst(f))
		if err := l.Remove(f, rate, steady(tones)); err != nil {
			return err
		}
		after = max(after, worst(f))
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("off by %.3g V before, %.3g V after", before, after)
	if before < 1e-3 || after > 1e-10 {
		t.Errorf("off by %.3g V before and %.3g V after: want more than 1e-3 and less than 1e-10", before, after)
	}
}

// steady is the course of tones that keep their frequencies.
type steady []Tone

func (s steady) Cycles(tone int, time float64) float64 { return s[tone].Hz * time }
func (s steady) HzAt(tone int, _ float64) float64      { return s[tone].Hz }
