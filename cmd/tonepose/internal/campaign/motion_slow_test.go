//go:build slow

package campaign

import (
	"fmt"
	"testing"

	"tonepose/cmd/tonepose/internal/stream"
	"tonepose/multitone/window"
)

// Every averaging at rest and at two speeds, over two thousand poses and more.
func TestMotionInsideWindowsAtLength(t *testing.T) {
	averaging := map[string]stream.Windows{
		"hann 5 ms": hann(5e-3), "hann 10 ms": hann(10e-3), "hann 15 ms": hann(15e-3), "hann 20 ms": hann(20e-3), "hann 40 ms": hann(40e-3),
		"cascade 0.5 ms":     lowPass(window.Spec{Kind: window.Cascade, Order: 4, TimeConstantS: 0.5e-3}),
		"cascade 1 ms":       lowPass(window.Spec{Kind: window.Cascade, Order: 4, TimeConstantS: 1e-3}),
		"cascade 2 ms":       lowPass(window.Spec{Kind: window.Cascade, Order: 4, TimeConstantS: 2e-3}),
		"butterworth 100 Hz": lowPass(window.Spec{Kind: window.Butterworth, Order: 4, CutoffHz: 100}),
		"fir 60 Hz":          lowPass(window.Spec{Kind: window.FIR, CutoffHz: 60}),
	}
	for name, w := range averaging {
		for _, speed := range []float64{0, 0.5, 1} {
			c := cell{fmt.Sprintf("%s, %g m/s", name, speed), w, speed, 6 * speed, false}
			t.Run(c.name, func(t *testing.T) {
				hop := max(w.Length, 5e-3)
				const seconds = 4
				c.check(t, int(2000*hop/seconds)+2, seconds)
			})
		}
	}
}
