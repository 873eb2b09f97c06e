package metal

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels"
	"tonepose/fieldmodels/mutual"
)

// Ball is a sphere in the fields of emitters, taken as uniform over it: exact to the
// square of its radius over the distance of the nearest coil.
type Ball struct {
	radius   float64
	emitters []fieldmodels.Emitter
	share    []complex128 // by emitter: moment per flux density [A·m²/T]

	units            [3]fieldmodels.PlacedDipole // at the centre
	center, velocity r3.Vec
	field, rate      []r3.Vec // of each emitter at the centre [T/A], and their rates
}

// NewBall makes a ball of a radius [m] for emitters and the frequencies [Hz] that they
// are driven with. MoveTo brings it to where it is.
func NewBall(radius float64, material Material, emitters []fieldmodels.Emitter, hz []float64) (*Ball, error) {
	if !(radius > 0) || math.IsInf(radius, 0) {
		return nil, fmt.Errorf("metal: radius %g m of a ball: must be positive", radius)
	}
	if err := material.check(); err != nil {
		return nil, err
	}
	if err := checkTones(emitters, hz); err != nil {
		return nil, err
	}
	b := &Ball{radius: radius, emitters: emitters, field: make([]r3.Vec, len(emitters)), rate: make([]r3.Vec, len(emitters))}
	b.units[0].Moment.X, b.units[1].Moment.Y, b.units[2].Moment.Z = 1, 1, 1
	for _, f := range hz {
		polarisability := Polarisability(radius, material, f)
		b.share = append(b.share, polarisability/fieldmodels.Mu0)
	}
	return b, nil
}

// Polarisability of a ball of a radius [m] at hz is α [m³]: in a uniform field H0 it has
// the moment α·H0, the whole of what it adds outside of itself.
//
// With x = (1 − j)·radius over skin depth and q = x·j0(x)/j1(x) − 1 (spherical Bessel
// functions), α = 2π·radius³·(2μ − q)/(μ + q): radial and tangential field are
// continuous at the surface. Here q = 2 − s, and s = x²/(5 − x²/(7 − x²/(9 − …))).
//
// Source: Wait, A conducting sphere in a time varying magnetic field, Geophysics 16
// (1951); Landau and Lifshitz, Electrodynamics of Continuous Media, section 59 problem
// 1, for μ = 1; the continued fraction is that of Abramowitz and Stegun 10.1.19's
// recurrence.
func Polarisability(radius float64, material Material, hz float64) complex128 {
	ratio := radius / material.SkinDepth(hz)
	x2 := complex(0, -2*ratio*ratio)
	// From twenty orders beyond |x| on the fraction is settled: each order more brings a
	// factor of |x²|/(2n)² ≤ 1/4.
	var s complex128
	for n := int(math.Sqrt2*ratio) + 40; n >= 2; n-- {
		s = x2 / (complex(float64(2*n+1), 0) - s)
	}
	mu := complex(material.Permeability, 0)
	return complex(2*math.Pi*radius*radius*radius, 0) * (2*mu - 2 + s) / (mu + 2 - s)
}

// MoveTo brings the ball's centre to p [m], where it moves with velocity [m/s]. A ball
// that an emitter's centre lies in is refused.
func (b *Ball) MoveTo(p, velocity r3.Vec) error {
	for i := range b.emitters {
		e := &b.emitters[i]
		if r3.Norm(r3.Sub(e.Center, p)) <= b.radius {
			return fmt.Errorf("emitter %s: %w", e.Name, ErrInside)
		}
		field, j, err := e.Source.Gradient(p)
		if err != nil {
			return fmt.Errorf("emitter %s: %w", e.Name, err)
		}
		b.field[i] = field
		b.rate[i] = r3.Vec{
			X: j[0][0]*velocity.X + j[0][1]*velocity.Y + j[0][2]*velocity.Z,
			Y: j[1][0]*velocity.X + j[1][1]*velocity.Y + j[1][2]*velocity.Z,
			Z: j[2][0]*velocity.X + j[2][1]*velocity.Y + j[2][2]*velocity.Z,
		}
	}
	b.center, b.velocity = p, velocity
	for i := range b.units {
		b.units[i].Center = p
	}
	return nil
}

// Add implements Body. The dipole share·B_e has with the pickup the coupling
// share·B_e·c, c being those of three unit dipoles in its place.
func (b *Ball) Add(m, dm []complex128, pickup *mutual.Pickup, f *mutual.Frame, velocity, spin r3.Vec) error {
	var placed mutual.Placed
	pickup.Place(&placed, f)
	if r3.Norm(r3.Sub(r3.Add(f.Origin, placed.Arm), b.center)) <= b.radius {
		return ErrInside
	}
	var c, dc [3]float64
	// That the ball moves is that the sensor moves the other way.
	velocity = r3.Sub(velocity, b.velocity)
	for i := range c {
		var k mutual.Coupling
		if err := placed.CoupleFast(&k, &b.units[i]); err != nil {
			return err
		}
		c[i], dc[i] = k.M, k.Rate(velocity, spin)
	}
	at, rate := r3.Vec{X: c[0], Y: c[1], Z: c[2]}, r3.Vec{X: dc[0], Y: dc[1], Z: dc[2]}
	for i, share := range b.share {
		m[i] += share * complex(r3.Dot(at, b.field[i]), 0)
		dm[i] += share * complex(r3.Dot(rate, b.field[i])+r3.Dot(at, b.rate[i]), 0)
	}
	return nil
}
