//go:build slow

package campaign

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/solver/calibration"
)

// Twenty benches a case, and harder cases: few stations, several things wrong at
// once, a station whose couplings are wrong and not its reference.
func TestContradictoryCalibrations(t *testing.T) {
	metal := func(w *workshop) { // of a station: what metal adds, 1 % of each coupling with its own sign
		c := &w.problem.Stations[5].Couplings
		for k := range c.Value {
			c.Value[k] *= 1 + 0.01*w.random.NormFloat64()
		}
	}
	all := append([]contradiction{
		{name: "a reference 5 mm off of eight", stations: 8, are: usual, stated: usual, spoil: func(w *workshop) {
			w.problem.Stations[2].Reference.Position.Z += 5e-3
		}},
		{name: "a reference turned by 5°", stations: 27, are: usual, stated: usual, spoil: func(w *workshop) {
			q := &w.problem.Stations[9].Reference
			*q = q.Plus(r3.Vec{}, r3.Scale(5*math.Pi/180, r3.Unit(w.vector(1))))
		}, named: onlyStation(9)},
		{name: "metal at one station", stations: 27, are: usual, stated: usual, spoil: metal, named: onlyStation(5)},
		{name: "references stated ten times too large, and one 5 mm off", stations: 40, are: usual, stated: spoilt(func(c *conditions) {
			c.position, c.rotation = 10*c.position, 10*c.rotation
		}), spoil: func(w *workshop) {
			w.problem.Stations[30].Reference.Position.Y -= 5e-3
		}, named: onlyStation(30)},
		{name: "tolerances ten times too small, and a reference 5 mm off", stations: 27, are: usual, stated: spoilt(func(c *conditions) {
			c.place, c.axis, c.strength, c.coilAxis, c.sensitivity = c.place/10, c.axis/10, c.strength/10, c.coilAxis/10, c.sensitivity/10
		}), spoil: func(w *workshop) {
			w.problem.Stations[17].Reference.Position.X += 5e-3
		}, named: onlyStation(17)},
		{name: "tolerances of places alone five times too small", stations: 15, are: usual, stated: spoilt(func(c *conditions) { c.place /= 5 }),
			named: func(r *calibration.Reconciled) bool {
				return factorOf(r, calibration.Tolerance, calibration.EmitterPosition) > 3 && factorOf(r, calibration.Tolerance, calibration.EmitterAxis) == 1 && factorOf(r, calibration.CouplingNoise, 0) == 1
			}},
	}, contradictions...)
	for _, c := range all {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			c.check(t, 20, 30)
		})
	}
}

// Sound inputs: nothing is named, and nothing left out, in three hundred benches of
// 6 to 65 stations. Every alarm has a chance of one in ten thousand, and a bench has eight
// inputs, two of them with two sides, and its stations: 0.33 are expected in all, and
// more than two have a chance of 0.5 %.
func TestSoundCalibrations(t *testing.T) {
	var s Score
	alarms := 0
	for seed := range 300 {
		w := newWorkshop(t, uint64(seed+1), usual, usual)
		w.take(t, 6+seed%60, usual)
		r, err := calibration.Reconcile(&w.problem, calibration.Options{})
		if err != nil || r.Status != calibration.Converged {
			t.Errorf("seed %d, %d stations: %v, %v", seed+1, 6+seed%60, err, r.Status)
			continue
		}
		changed := len(r.Omitted) > 0
		for _, c := range r.Components {
			changed = changed || c.Factor != 1
		}
		if changed {
			alarms++
			t.Logf("seed %d, %d stations: left out %d, %+v", seed+1, 6+seed%60, len(r.Omitted), r.Components)
		}
		w.validate(t, r.Result, 5, &s)
	}
	s.Log(t)
	s.Covers(t, 0)
	if alarms > 2 {
		t.Errorf("%d of 300 sound calibrations are called contradictory", alarms)
	}
}
