package window_test

import (
	"fmt"

	"tonepose/multitone/window"
)

func ExampleFigures() {
	// Harris, Proc. IEEE 66(1), 1978, Table I, Hann: ENBW 1.50 bins, 3 dB width 1.44,
	// scalloping 1.42 dB, highest sidelobe −32 dB (−31.5).
	hann, err := window.ByName("hann")
	if err != nil {
		fmt.Println(err)
		return
	}
	w := make([]float64, 2048)
	hann.Fill(w)
	m := window.Figures(w)
	fmt.Printf("%.2f bins, %.2f bins, %.2f dB, %.1f dB\n", m.NENBW, m.Width3dB, m.Scalloping, m.HighestSidelobe)
	// Output: 1.50 bins, 1.44 bins, 1.42 dB, -31.5 dB
}

func ExampleDesign() {
	// Four equal stages of τ = 0.1 s: ENBW = 5/(64 τ) = 0.78125 Hz, settled to 1 % after
	// 10.045 τ (30-digit reference in testdata/published/rc_cascade_enbw_settling.csv).
	l, err := window.Design(window.Spec{Kind: window.Cascade, Order: 4, TimeConstantS: 0.1}, 100e3)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%.5f Hz, %.4f s, delay %.3f s\n", l.ENBWHz(), l.SettlingS(0.01), l.GroupDelayS())
	// Output: 0.78125 Hz, 1.0045 s, delay 0.400 s
}
