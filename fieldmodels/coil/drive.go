package coil

import "math"

// Boltzmann's constant [J/K], exact in the SI since 2019.
const Boltzmann = 1.380649e-23

// Load is what a coil demands of its driver at one tone. Voltages and currents are
// peak, the temperature is the given one.
type Load struct {
	ResistanceOhm  float64 // at the tone, estimated
	ReactanceOhm   float64 // ωL
	VoltageV       float64 // |R + jωL|·I, without a capacitor
	CapacitorF     float64 // in series, resonant at the tone: 1/(ω²L)
	ResonantV      float64 // left to drive with that capacitor: R·I
	CapacitorVoltV float64 // across the capacitor: ωL·I
	Quality        float64 // ωL/R
	PowerW         float64 // R·I²/2
}

// Drive returns the load of a current [A peak] at hz with the winding at a
// temperature [°C].
func (c Coil) Drive(hz, amperePeak, celsius float64) Load {
	omega, l := 2*math.Pi*hz, c.Inductance()
	r := c.ACResistance(hz, celsius)
	return Load{
		ResistanceOhm: r, ReactanceOhm: omega * l,
		VoltageV: math.Hypot(r, omega*l) * amperePeak, CapacitorF: 1 / (omega * omega * l),
		ResonantV: r * amperePeak, CapacitorVoltV: omega * l * amperePeak, Quality: omega * l / r,
		PowerW: r * amperePeak * amperePeak / 2,
	}
}

// filmCoefficient is the heat that still air takes off a warm surface, convection
// and radiation together [W/(m²·K)]: common practice, 8 to 12.
const filmCoefficient = 10

// TemperatureRise estimates how much warmer than ambient [°C] the coil's surface
// becomes in the end with a current [A peak] at hz, free in still air, its resistance rising
// with it; +Inf where that runs away. A coil that is potted, stacked or on foam
// gets warmer.
func (c Coil) TemperatureRise(hz, amperePeak, ambient float64) float64 {
	depth := c.OuterRadius - c.InnerRadius
	surface := 2 * math.Pi * c.MeanRadius() * 2 * (depth + c.Length)
	cold := c.ACResistance(hz, ambient) * amperePeak * amperePeak / 2 / (filmCoefficient * surface)
	// rise = cold·(1 + α′·rise), α′ the coefficient referred to ambient.
	alpha := CopperCoefficient / (1 + CopperCoefficient*(ambient-20))
	if cold*alpha >= 1 {
		return math.Inf(1)
	}
	return cold / (1 - cold*alpha)
}

// Sensitivity returns what a pickup of turns × area [m²] gives at hz [V/T]: ω·NA.
func Sensitivity(areaTurns, hz float64) float64 { return 2 * math.Pi * hz * areaTurns }

// ThermalNoise returns the one-sided density [V/√Hz] of a resistance [Ω] at a
// temperature [°C]: √(4kTR).
//
// Source: Nyquist, Thermal agitation of electric charge in conductors, Phys. Rev.
// 32 (1928).
func ThermalNoise(ohm, celsius float64) float64 {
	return math.Sqrt(4 * Boltzmann * (celsius + 273.15) * ohm)
}
