package multitone_test

import (
	"fmt"
	"math"

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
