// Package calibration finds the array that was really built: positions, axes and
// strengths of the emitters, axes, positions and sensitivities of the pickups,
// gains and delays of the channels, from couplings taken at stations whose poses
// a reference device has measured, with an uncertainty of its own.
//
// Describe the bench as drawn and the stations in a Problem, and call
// Calibrate. All shared parameters and all poses are adjusted together (bundle
// adjustment); each station's pose is eliminated by a Schur complement, so
// that time and memory grow with the number of stations, not its cube.
// Parameters that only change together without the data noticing (gauge
// freedoms) are found by their rank, named, and held by tolerances.
//
// Reconcile is Calibrate for inputs that may contradict each other: it finds out
// which station, or which stated sigmas, the rest speaks against.
//
// The Result holds the moved parameters with their covariance, and answers for
// single stations and emitters; CrossValidate and Result.Suggest say how far
// it is to be trusted and where to measure next.
//
// Everything is in SI units. Emitters, and the reference device's Frame, are in the rig frame;
// coils and markers in their sensor's; a station's Reference is the marker's pose in the
// device's frame. Every Parameter names its unit.
package calibration

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels"
	"tonepose/fieldmodels/mutual"
	"tonepose/fieldmodels/rigid"
	"tonepose/solver"
)

// Problem is a bench as drawn, and what was measured on it. A tolerance is the
// standard deviation by which what was built differs from the drawing; zero:
// nothing is known.
type Problem struct {
	Emitters []Emitter
	Sensors  []Sensor
	Channels []Channel
	Stations []Station

	// Frame is the nominal pose of the reference device's frame in the rig
	// frame. The zero value is the identity.
	Frame          rigid.Pose
	FrameTolerance MotionTolerance

	CrosstalkTolerance float64  // [H], of each emitter and coil
	Lengths            []Length // known distances, which fix the scale without references
}

// Emitter is one driven coil as drawn.
type Emitter struct {
	fieldmodels.Emitter
	// Nearby adds to Source what static metal makes of its field [T/A]. It goes
	// with the strength, and stays where it is; nil: nothing.
	Nearby    fieldmodels.Source
	Hz        float64 // of its tone; needed only where delays are free
	Tolerance EmitterTolerance
}

// EmitterTolerance is one sigma each; zero: nothing is known.
type EmitterTolerance struct {
	Position float64 // [m], along each axis
	Axis     float64 // [rad], about each axis
	Strength float64 // relative
}

// Sensor is a rigid body with pickups as drawn.
type Sensor struct {
	Name  string
	Coils []Coil
	// Marker is the nominal pose of the sensor in the frame of the marker that
	// the reference device sees. The zero value is the identity.
	Marker          rigid.Pose
	MarkerTolerance MotionTolerance
}

// drawn is the sensor without what only a calibration needs.
func (s *Sensor) drawn() mutual.Sensor {
	out := mutual.Sensor{Name: s.Name}
	for _, c := range s.Coils {
		out.Coils = append(out.Coils, c.Coil)
	}
	return out
}

// Coil is one pickup, in the sensor frame.
type Coil struct {
	mutual.Coil
	Channel   int // index of Problem.Channels; not used when there are none
	Tolerance CoilTolerance
}

// CoilTolerance is one sigma each; zero: nothing is known.
type CoilTolerance struct {
	Axis        float64 // [rad], about each axis across the coil's own
	Position    float64 // [m], along each axis
	Sensitivity float64 // relative
}

// Channel is one input of the ADC. Couplings have its nominal gain and delay
// undone; what is sought is what they leave.
type Channel struct {
	Name      string
	Tolerance ChannelTolerance
}

// ChannelTolerance is one sigma each; zero: nothing is known.
type ChannelTolerance struct {
	Gain  float64 // relative
	Phase float64 // [rad]
	Delay float64 // [s]
}

// MotionTolerance is one sigma of a rigid motion; zero: nothing is known.
type MotionTolerance struct {
	Position float64 // [m], along each axis
	Rotation float64 // [rad], about each axis
}

// Station is one pose of one sensor at which couplings were taken.
type Station struct {
	Name   string
	Sensor int // index of Problem.Sensors
	// Reference is the pose of the marker in the reference device's frame, as
	// the device measured it, or a first guess where its sigmas are +Inf.
	Reference     rigid.Pose
	SigmaPosition float64 // [m], along each axis; +Inf: not measured
	SigmaRotation float64 // [rad], about each axis; +Inf: not measured
	// Couplings of every emitter and coil of the sensor, at index
	// e·len(Coils)+c; variance +Inf: missing. What those of an emitter share of the
	// noise of its current's reference, Common, is weighed as such.
	Couplings solver.Couplings
	// Quadrature is Im M [H], with the variances of Couplings. It is used only
	// where phases or delays are free, and must then be there.
	Quadrature []float64
}

// Length is a known distance between the centres of two emitters. Where stations
// have no reference, it fixes the scale; so do pickups at known distances, such
// as two sensors on one body, described as one Sensor.
type Length struct {
	A, B   int     // emitters
	Meters float64 // [m]
	Sigma  float64 // [m]
}

func (p *Problem) check(free Group) error {
	if len(p.Emitters) == 0 || len(p.Sensors) == 0 || len(p.Stations) == 0 {
		return fmt.Errorf("calibration: %d emitters, %d sensors, %d stations: need at least one of each",
			len(p.Emitters), len(p.Sensors), len(p.Stations))
	}
	for i, e := range p.Emitters {
		if e.Source == nil {
			return fmt.Errorf("calibration: emitter %d (%q) has no Source", i, e.Name)
		}
		if !(math.Abs(r3.Norm(e.Axis)-1) < 1e-6) {
			return fmt.Errorf("calibration: emitter %d (%q): Axis = %v: must be a unit vector", i, e.Name, e.Axis)
		}
		if free&ChannelDelay != 0 && !(e.Hz > 0) {
			return fmt.Errorf("calibration: emitter %d (%q): Hz = %g: must be positive, as delays are free", i, e.Name, e.Hz)
		}
	}
	for i, s := range p.Sensors {
		if err := s.drawn().Validate(); err != nil {
			return fmt.Errorf("calibration: sensor %d: %w", i, err)
		}
		for k, c := range s.Coils {
			if len(p.Channels) > 0 && (c.Channel < 0 || c.Channel >= len(p.Channels)) {
				return fmt.Errorf("calibration: sensor %q, coil %d: Channel = %d: must be one of %d", s.Name, k, c.Channel, len(p.Channels))
			}
		}
	}
	if free&(ChannelGain|ChannelPhase|ChannelDelay) != 0 && len(p.Channels) == 0 {
		return fmt.Errorf("calibration: %v are free, and the problem has no channels", free&(ChannelGain|ChannelPhase|ChannelDelay))
	}
	for i, l := range p.Lengths {
		if l.A < 0 || l.B < 0 || l.A >= len(p.Emitters) || l.B >= len(p.Emitters) || l.A == l.B || !(l.Meters > 0) || !(l.Sigma > 0) {
			return fmt.Errorf("calibration: length %d = %+v: must join two emitters and be positive, with a positive sigma", i, l)
		}
	}
	for i := range p.Stations {
		if err := p.checkStation(&p.Stations[i], free); err != nil {
			return fmt.Errorf("calibration: station %d (%q): %w", i, p.Stations[i].Name, err)
		}
	}
	return nil
}

func (p *Problem) checkStation(s *Station, free Group) error {
	if s.Sensor < 0 || s.Sensor >= len(p.Sensors) {
		return fmt.Errorf("Sensor = %d: must be one of %d", s.Sensor, len(p.Sensors))
	}
	if !(s.SigmaPosition > 0) || !(s.SigmaRotation > 0) {
		return fmt.Errorf("SigmaPosition = %g, SigmaRotation = %g: must be positive, +Inf where there is no reference", s.SigmaPosition, s.SigmaRotation)
	}
	n := len(p.Emitters) * len(p.Sensors[s.Sensor].Coils)
	if len(s.Couplings.Value) != n || len(s.Couplings.Variance) != n {
		return fmt.Errorf("%d couplings with %d variances: emitters times coils is %d", len(s.Couplings.Value), len(s.Couplings.Variance), n)
	}
	if c := s.Couplings.Common; len(c) != 0 && len(c) != len(p.Emitters) || slices.ContainsFunc(c, func(v float64) bool { return !(v >= 0) || math.IsInf(v, 1) }) {
		return fmt.Errorf("Couplings.Common = %v: must have a finite variance for each of %d emitters, or none", c, len(p.Emitters))
	}
	if free.complex() && len(s.Quadrature) != n {
		return fmt.Errorf("%d quadratures, with phases or delays free: emitters times coils is %d", len(s.Quadrature), n)
	}
	for k, v := range s.Couplings.Value {
		w := s.Couplings.Variance[k]
		if math.IsInf(w, 1) {
			continue
		}
		if !(w > 0) || math.IsNaN(v) || math.IsInf(v, 0) || free.complex() && (math.IsNaN(s.Quadrature[k]) || math.IsInf(s.Quadrature[k], 0)) {
			return fmt.Errorf("coupling %d = %g with variance %g: must be finite with a positive variance, or missing with +Inf", k, v, w)
		}
	}
	if !s.Reference.Finite() {
		return fmt.Errorf("reference pose %v: must be finite", s.Reference)
	}
	return nil
}
