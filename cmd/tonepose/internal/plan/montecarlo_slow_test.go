//go:build slow

package plan

import (
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/simulate"
	"tonepose/fieldmodels/rigid"
)

// Within 5 %, with windows enough to show it: √(2/n)·2 < 0.05 needs 3,200.
func TestPredictionAgainstChainFivePercent(t *testing.T) {
	o := Options{WindowS: 10e-3, Taper: "hann", NoiseV: 5e-9, Bits: 16}
	sim := simulate.Options{Bits: 16, Noise: 5e-9, ClockPPM: 20, Seed: 6}
	position, rotation, n := chain(t, "pipe-bench.rig.yaml", o, sim, []float64{0.5, 0.5}, probePoses, 12)
	agree(t, position, rotation, n, 0.05)
}

// Quantising that exceeds the amplifier's noise, flicker noise, a rectangular
// window.
func TestPredictionAgainstChainQuantising(t *testing.T) {
	o := Options{WindowS: 10e-3, Taper: "rectangular", NoiseV: 0.3e-9, FlickerHz: 3000, Bits: 16}
	sim := simulate.Options{Bits: 16, Noise: 0.3e-9, FlickerHz: 3000, ClockPPM: -20, Seed: 7}
	position, rotation, n := chain(t, "pipe-bench.rig.yaml", o, sim, []float64{1}, probePoses, 12)
	agree(t, position, rotation, n, 0.05)
}

// One coil, five degrees of freedom.
func TestPredictionAgainstChainOneCoil(t *testing.T) {
	o := Options{WindowS: 20e-3, Taper: "hann", NoiseV: 0.5e-9, Bits: 24}
	sim := simulate.Options{Bits: 24, Noise: 0.5e-9, ClockPPM: 12, Seed: 8}
	poses := []rigid.Pose{
		{Position: r3.Vec{X: 0.02, Y: -0.03, Z: 0.12}, Rotation: rotated(0.3, 0, 0)},
		{Position: r3.Vec{X: -0.05, Y: 0.07, Z: 0.10}, Rotation: rotated(0.7, -0.4, 0)},
	}
	position, rotation, n := chain(t, "micro-coil.rig.yaml", o, sim, []float64{0.5, 0.5}, poses, 33)
	agree(t, position, rotation, n, 0.05)
}
