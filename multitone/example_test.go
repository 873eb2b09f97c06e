package multitone_test

import (
	"errors"
	"fmt"
	"math"
	"math/cmplx"

	"tonepose/multitone"
	"tonepose/multitone/window"
)

// A tone of 2 V peak on one channel, referred to the drive on another, behind a
// cascade of four stages of 5 ms: its equivalent noise bandwidth is 5/(64·5 ms),
// its group delay four time constants less half a sample each.
func ExampleContinuous() {
	const rate, tone = 50e3, 5125.0
	c, err := multitone.NewContinuous(
		multitone.Config{SampleRate: rate, Channels: 2, Tones: []multitone.Tone{{Name: "e1", Hz: tone, Reference: multitone.OnChannel(1)}}},
		multitone.Averaging{LowPass: window.Spec{Kind: window.Cascade, Order: 4, TimeConstantS: 5e-3}, Every: 2500})
	if err != nil {
		fmt.Println(err)
		return
	}
	l := c.LowPass()
	fmt.Printf("ENBW %.4f Hz, group delay %.2f ms, settles to 1 %% in %.2f ms\n", l.ENBWHz(), 1e3*l.GroupDelayS(), 1e3*l.SettlingS(0.01))
	fmt.Printf("a tone 1.2 kHz away is suppressed by %.1f dB\n", multitone.Rejection(l, tone, tone+1200))

	signal, drive := make([]float64, 10000), make([]float64, 10000)
	for i := range signal {
		phase := 2 * math.Pi * tone * float64(i) / rate
		signal[i], drive[i] = 2*math.Cos(phase-0.5), math.Cos(phase)
	}
	err = c.Write([][]float64{signal, drive}, func(f *multitone.Frame) error {
		v, _ := f.At(0, 0)
		fmt.Printf("%.5f s: in-phase %.4f V, quadrature %.4f V\n", f.Time(rate), real(v), imag(v))
		return nil
	})
	if err != nil {
		fmt.Println(err)
	}
	// Output:
	// ENBW 15.6250 Hz, group delay 19.96 ms, settles to 1 % in 50.20 ms
	// a tone 1.2 kHz away is suppressed by 126.1 dB
	// 0.08002 s: in-phase 1.7552 V, quadrature -0.9589 V
	// 0.13002 s: in-phase 1.7552 V, quadrature -0.9589 V
	// 0.18002 s: in-phase 1.7552 V, quadrature -0.9589 V
}

// Two drives share channel 1; a pickup on channel 0 sees the first with 0.5 V, a quarter turn
// ahead, and the second with 0.2 V, the other way round.
func ExampleBank() {
	const rate = 50e3
	b, err := multitone.NewBank(multitone.Config{SampleRate: rate, Channels: 2, Tones: []multitone.Tone{
		{Name: "e1", Hz: 5125, Reference: multitone.OnChannel(1)},
		{Name: "e2", Hz: 6375, Reference: multitone.OnChannel(1)},
	}}, multitone.Framing{Length: 1000})
	if err != nil {
		fmt.Println(err)
		return
	}
	pickup, drives := make([]float64, 2000), make([]float64, 2000)
	for i := range pickup {
		first, second := 2*math.Pi*5125*float64(i)/rate+0.3, 2*math.Pi*6375*float64(i)/rate-1.1
		drives[i] = math.Cos(first) + math.Cos(second)
		pickup[i] = 0.5*math.Cos(first+math.Pi/2) - 0.2*math.Cos(second)
	}
	emit := func(f *multitone.Frame) error {
		first, _ := f.At(0, 0)
		second, _ := f.At(1, 0)
		fmt.Printf("%.5f s: e1 %.3f V at %.1f°, e2 %.3f V at %.1f°\n", f.Time(rate),
			cmplx.Abs(first), cmplx.Phase(first)*180/math.Pi, cmplx.Abs(second), math.Abs(cmplx.Phase(second))*180/math.Pi)
		return nil
	}
	if err := errors.Join(b.Write([][]float64{pickup, drives}, emit), b.Flush(emit)); err != nil {
		fmt.Println(err)
	}
	// Output:
	// 0.00999 s: e1 0.500 V at 90.0°, e2 0.200 V at 180.0°
	// 0.02999 s: e1 0.500 V at 90.0°, e2 0.200 V at 180.0°
}
