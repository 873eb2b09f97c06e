package coil

import (
	"math"

	"tonepose/fieldmodels"
)

// Coil is a winding of round wire with a rectangular cross-section, round or
// rectangular as seen along its axis.
type Coil struct {
	InnerRadius float64 // [m]
	OuterRadius float64 // [m]; InnerRadius for a thin cylinder
	Length      float64 // along the axis [m]
	Turns       float64
	Wire        Wire
	// Width and Height are the sides of a rectangular coil's mean turn [m]; 0 for a
	// round coil. Of the radii only their difference, the depth, then counts.
	Width, Height float64
}

// Bundle returns the coil whose turns lie side by side in a square about a mean
// radius [m]: what a thin loop of many turns looks like when it is wound.
func Bundle(radius, turns float64, w Wire) Coil {
	side := w.Insulated * math.Sqrt(turns)
	return Coil{InnerRadius: math.Max(radius-side/2, radius/100), OuterRadius: radius + side/2, Length: side, Turns: turns, Wire: w}
}

// RectangularBundle is Bundle for a rectangle of the given sides [m].
func RectangularBundle(width, height, turns float64, w Wire) Coil {
	c := Bundle((width+height)/math.Pi, turns, w)
	c.Width, c.Height = width, height
	return c
}

// MeanRadius is that of the middle turn [m]; of a rectangle, that of the circle
// with the same circumference.
func (c Coil) MeanRadius() float64 {
	if c.Width > 0 {
		return (c.Width + c.Height) / math.Pi
	}
	return (c.InnerRadius + c.OuterRadius) / 2
}

// WireLength is 2π·MeanRadius·Turns [m].
func (c Coil) WireLength() float64 { return 2 * math.Pi * c.MeanRadius() * c.Turns }

// Fill is the share of the cross-section that the wire takes in square packing,
// insulation included: above 1 it can not be wound. Thin cylinders count one
// layer.
func (c Coil) Fill() float64 {
	d := c.Wire.Insulated
	return c.Turns * d * d / (math.Max(c.OuterRadius-c.InnerRadius, d) * math.Max(c.Length, d))
}

// Resistance is that to direct current [Ω] at a temperature [°C].
func (c Coil) Resistance(celsius float64) float64 {
	return c.Wire.Resistance(celsius) * c.WireLength()
}

// Inductance of the evenly filled cross-section [H]; frequencies well below
// self-resonance.
func (c Coil) Inductance() float64 {
	if c.Width > 0 {
		return RectangleInductance(c.Width, c.Height, c.OuterRadius-c.InnerRadius+c.Length, c.Turns)
	}
	return ThickInductance(c.InnerRadius, c.OuterRadius, c.Length, c.Turns)
}

// SkinDepth returns √(2ρ/(ωμ)) [m] for a resistivity [Ω·m] and a relative
// permeability at hz.
func SkinDepth(resistivity, permeability, hz float64) float64 {
	return math.Sqrt(resistivity / (math.Pi * hz * fieldmodels.Mu0 * permeability))
}

// layers is the number of wire layers across the radial depth, at least 1.
func (c Coil) layers() float64 {
	return math.Max(1, math.Round((c.OuterRadius-c.InnerRadius)/c.Wire.Insulated))
}

// ACResistance estimates the resistance [Ω] at hz and a temperature [°C], skin and
// proximity effect included.
//
// Source: Dowell, Effects of eddy currents in transformer windings, Proc. IEE 113
// (1966): layers of round wire as foils of equal area and of the winding's
// porosity. Without a core the field is weaker than it assumes in long coils: an
// upper estimate, good to a factor of about two in its excess over Resistance.
func (c Coil) ACResistance(hz, celsius float64) float64 {
	return c.Resistance(celsius) * c.dowell(hz, celsius)
}

func (c Coil) dowell(hz, celsius float64) float64 {
	if hz == 0 {
		return 1
	}
	foil := c.Wire.Diameter * math.Sqrt(math.Pi) / 2
	layers := c.layers()
	porosity := math.Min(1, foil*c.Turns/layers/c.Length)
	x := foil / SkinDepth(Resistivity(celsius), 1, hz) * math.Sqrt(porosity)
	// From x = 50 on hyperbolic and circular functions differ by more than e^50.
	if x > 50 {
		return x * (1 + 2*(layers*layers-1)/3)
	}
	if x < 0.05 { // where the differences below cancel
		return 1 + (5*layers*layers-1)/45*x*x*x*x
	}
	skin := (math.Sinh(2*x) + math.Sin(2*x)) / (math.Cosh(2*x) - math.Cos(2*x))
	proximity := (math.Sinh(x) - math.Sin(x)) / (math.Cosh(x) + math.Cos(x))
	return x * (skin + 2*(layers*layers-1)/3*proximity)
}

// Capacitance estimates the winding's own capacitance [F], within about a factor
// of two for layered windings and a tenth for a single layer in air.
//
// Sources: single layer, Medhurst, H.F. resistance and self-capacitance of
// single-layer solenoids, Wireless Engineer 24 (1947), by the fit
// C/pF = D/cm·(0.1126 l/D + 0.08 + 0.27 √(D/l)) to his table, within 8 % of its rows
// (the fit's own source was not seen). Layers: the energy between neighbours under an even voltage,
// 4(p−1)/(3p²) times the capacitance of one gap of 1.26 d_o − 1.15 d with a film
// of relative permittivity 3.5 (Zuhrt, not checked against the original).
func (c Coil) Capacitance() float64 {
	d, l := 2*c.MeanRadius()*100, c.Length*100
	total := 1e-12 * (0.1126*l + 0.08*d + 0.27*d*math.Sqrt(d/l))
	if p := c.layers(); p > 1 {
		const permittivity = 3.5 * 8.8541878188e-12 // CODATA 2022 [F/m]
		gap := 1.26*c.Wire.Insulated - 1.15*c.Wire.Diameter
		one := permittivity * 2 * math.Pi * c.MeanRadius() * c.Length / gap
		total += 4 * (p - 1) / (3 * p * p) * one
	}
	return total
}

// SelfResonance estimates where inductance and own capacitance resonate [Hz].
func (c Coil) SelfResonance() float64 {
	return 1 / (2 * math.Pi * math.Sqrt(c.Inductance()*c.Capacitance()))
}
