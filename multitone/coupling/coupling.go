// Package coupling turns phasors into mutual inductances. A researcher builds on
// it and on multitone, which measures the phasors.
//
//	m := coupling.NewMatrix(len(emitters), len(pickups))
//	m.Fill(frame, emitters, pickups)	// of each multitone.Frame
//
// An Emitter says how the current of a tone is known, a Pickup which channel a coil is on.
// The real parts of a Matrix go on to solver.Couplings, with Variance and Common.
//
// With flux linkage λ = M·i a pickup's voltage is −dλ/dt, so V = −jωM·I and
//
//	M = V / (−jω I).
//
// V and I are what the coil and the emitter saw: the phasors at the ADC's
// input divided by their channels' transfer functions. Re M is what a field
// model predicts. Im M is evidence of eddy currents in metal, of a wrong delay
// or of motion, which adds −(dM/dt)/ω. Voltages and currents are peak values [V, A], M is in henry.
package coupling

import (
	"fmt"
	"math"

	"tonepose/multitone"
)

// Emitter says how the current of one tone is known.
type Emitter struct {
	Reference multitone.Reference // channel of the digitised drive
	PerAmp    complex128          // transfer function of that channel times the transimpedance [V_adc/A]
	CurrentA  complex128          // peak [A], relative to 2π·tone_hz·t, where there is no reference
	// Relative is the variance of the relative error of CurrentA, new in every
	// frame: all couplings of the emitter share it.
	Relative float64
}

// Pickup is one coil of a sensor: its channel, with the transfer function
// V_adc/V_coil at each tone.
type Pickup struct {
	Channel  int
	Response []complex128 // by tone
}

// Matrix holds the couplings between all emitters and one sensor's pickups at
// index emitter·len(pickups) + pickup.
type Matrix struct {
	Value    []complex128 // [H]
	Variance []float64    // of each component [H²]; +Inf where the current was lost
	// Common is, of each emitter, the part of its variances that its couplings
	// share: the noise of the reference moves all of them by one complex factor
	// 1 + ε, and Common is the variance of each component of ε. Variance has it
	// already, as Common·|Value|².
	Common []float64
}

// NewMatrix returns a matrix for the couplings of emitters × pickups.
func NewMatrix(emitters, pickups int) Matrix {
	n := emitters * pickups
	return Matrix{make([]complex128, n), make([]float64, n), make([]float64, emitters)}
}

// lostSigmas is the size in its own sigmas below which a reference counts as
// lost: its phase would be uncertain by more than a tenth of a radian.
const lostSigmas = 10

// Fill computes the couplings of one frame. The noise of a reference enters
// the variance of every coupling that it scales.
func (m Matrix) Fill(f *multitone.Frame, emitters []Emitter, pickups []Pickup) {
	for e, em := range emitters {
		omega := 2 * math.Pi * f.Hz[e]
		current, relative := em.CurrentA, em.Relative
		channel, referred := em.Reference.Channel()
		if referred {
			r, v := f.At(e, channel)
			current = r / em.PerAmp
			relative = v / (real(r)*real(r) + imag(r)*imag(r))
		}
		m.Common[e] = relative
		lost := current == 0 || referred && !(relative < 1.0/(lostSigmas*lostSigmas))
		if lost {
			m.Common[e] = 0
		}
		for p, pick := range pickups {
			i := e*len(pickups) + p
			if lost {
				m.Value[i], m.Variance[i] = complex(math.NaN(), math.NaN()), math.Inf(1)
				continue
			}
			v, variance := f.At(e, pick.Channel)
			scale := 1 / (pick.Response[e] * complex(0, -omega) * current)
			m.Value[i] = v * scale
			m.Variance[i] = variance*abs2(scale) + relative*abs2(m.Value[i])
		}
	}
}

// Subtract takes off a baseline measured with the sensor far away: crosstalk
// from drive to pickup. The variances add. Where that leaves more of a coupling
// than was measured, Common shrinks, so that no variance has less than its share.
func (m Matrix) Subtract(baseline Matrix) error {
	if len(m.Value) != len(baseline.Value) {
		return fmt.Errorf("coupling: baseline of %d couplings for %d", len(baseline.Value), len(m.Value))
	}
	pickups := len(m.Value) / max(1, len(m.Common))
	for i := range m.Value {
		if math.IsInf(baseline.Variance[i], 1) {
			continue // this emitter was silent in the baseline: nothing known
		}
		measured := abs2(m.Value[i])
		m.Value[i] -= baseline.Value[i]
		m.Variance[i] += baseline.Variance[i]
		if left := abs2(m.Value[i]); left > measured {
			m.Common[i/pickups] *= measured / left
		}
	}
	return nil
}

func abs2(z complex128) float64 { return real(z)*real(z) + imag(z)*imag(z) }
