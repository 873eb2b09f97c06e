package coupling_test

import (
	"fmt"
	"log"
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels"
	"tonepose/fieldmodels/mutual"
	"tonepose/fieldmodels/rigid"
	"tonepose/multitone"
	"tonepose/multitone/coupling"
	"tonepose/multitone/synth"
	"tonepose/solver"
)

// From samples to a pose: three channels of pickups and one that digitises the sum of six
// drives, in volts. A Bank measures the tones, Matrix.Fill refers them to their currents,
// and a Solver finds the pose to which the couplings belong.
func ExampleMatrix_Fill() {
	tones := []float64{5125, 6325, 7575, 8925, 10275, 11675} // multiples of 25 Hz: windows of 40 ms
	bench := invented()
	x := record(bench, tones)

	const drive, ohm = 3, 0.5 // its channel, and volts of that per ampere
	config := multitone.Config{SampleRate: 100e3, Channels: 4}
	emitters := make([]coupling.Emitter, len(tones))
	one := make([]complex128, len(tones)) // receivers of gain 1 without delay
	for i, hz := range tones {
		config.Tones = append(config.Tones, multitone.Tone{Name: fmt.Sprintf("e%d", i+1), Hz: hz, Reference: multitone.OnChannel(drive)})
		emitters[i], one[i] = coupling.Emitter{Reference: multitone.OnChannel(drive), PerAmp: ohm}, 1
	}
	pickups := []coupling.Pickup{{Channel: 0, Response: one}, {Channel: 1, Response: one}, {Channel: 2, Response: one}}
	bank, err := multitone.NewBank(config, multitone.Framing{Length: 4000})
	check(err)
	solve, err := solver.New(bench, solver.Options{})
	check(err)
	m := coupling.NewMatrix(len(emitters), len(pickups))
	var sum r3.Vec
	frames := 0
	locate := func(f *multitone.Frame) error {
		m.Fill(f, emitters, pickups)
		y := solver.Couplings{Variance: m.Variance, Common: m.Common}
		for _, v := range m.Value {
			y.Value = append(y.Value, real(v))
		}
		sum, frames = r3.Add(sum, solve.Cold(y).Pose.Position), frames+1
		return nil
	}
	check(bank.Write(x, locate))
	check(bank.Flush(locate))
	at := r3.Scale(1e3/float64(frames), sum)
	fmt.Printf("%d windows, on average at %.1f %.1f %.1f mm\n", frames, at.X, at.Y, at.Z)
	// Output: 5 windows, on average at 40.0 -20.0 120.0 mm
}

// invented is a ring of six tilted loops and a probe with three coils.
func invented() (p solver.Problem) {
	for i := range 6 {
		sin, cos := math.Sincos(math.Pi / 3 * float64(i))
		center, axis := r3.Vec{X: 0.15 * cos, Y: 0.15 * sin}, r3.Vec{X: 0.3 * sin, Y: 0.2 * cos, Z: 1}
		p.Array.Emitters = append(p.Array.Emitters, fieldmodels.Emitter{
			Source: fieldmodels.PlaceAxis(fieldmodels.Loop{Radius: 0.035, Turns: 40}, center, axis), Center: center, Axis: r3.Unit(axis)})
	}
	for _, axis := range []r3.Vec{{X: 1}, {Y: 1}, {Z: 1}} {
		p.Sensor.Coils = append(p.Sensor.Coils, mutual.Coil{Axis: axis, AreaTurns: 0.004, Radius: 0.004})
	}
	p.Volume = solver.Volume{Min: r3.Vec{X: -0.15, Y: -0.15, Z: 0.05}, Max: r3.Vec{X: 0.15, Y: 0.15, Z: 0.3}}
	return p
}

// record simulates 0.2 s of the probe at rest at (40, −20, 120) mm.
func record(p solver.Problem, tones []float64) [][]float64 {
	s, err := solver.New(p, solver.Options{})
	check(err)
	truth := make([]float64, len(tones)*len(p.Sensor.Coils))
	pose := rigid.Pose{Position: r3.Vec{X: 0.04, Y: -0.02, Z: 0.12}, Rotation: rigid.Exp(r3.Vec{X: 0.5, Z: -1})}
	check(s.Evaluate(pose, truth, nil))
	c := synth.Config{Rate: 100e3, Samples: 20000, Seed: 1}
	shunt := make([]complex128, len(tones))
	for k, hz := range tones {
		c.Tones = append(c.Tones, synth.Tone{Hz: hz, Current: 0.5, Phase: float64(k * k)})
		shunt[k] = 0.5
	}
	for range p.Sensor.Coils {
		c.Channels = append(c.Channels, synth.Channel{Pickup: true, Noise: synth.Noise{Density: 5e-9}})
	}
	c.Channels = append(c.Channels, synth.Channel{Transimpedance: shunt, Noise: synth.Noise{Density: 5e-9}})
	pickups := len(p.Sensor.Coils)
	c.Couplings = func(_ float64, m, dm []complex128) error {
		for k := range tones {
			for i := range pickups { // here pickup by pickup, in the solver emitter by emitter
				m[i*len(tones)+k] = complex(truth[k*pickups+i], 0)
			}
		}
		clear(dm)
		return nil
	}
	g, err := synth.New(c)
	check(err)
	x := make([][]float64, len(c.Channels))
	for i := range x {
		x[i] = make([]float64, c.Samples)
	}
	_, err = g.ReadPlanar(x)
	check(err)
	return x
}

func check(err error) {
	if err != nil {
		log.Fatal(err)
	}
}
