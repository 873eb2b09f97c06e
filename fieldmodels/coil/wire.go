// Package coil computes what a wound coil is to its driver and amplifier: its
// resistance over temperature and frequency, inductance, self-resonance, the
// voltage a current needs, the heat it makes; and, as a pickup, its sensitivity
// and thermal noise.
//
// ParseWire or AWG gives a wire, Bundle or a Coil literal a winding, Drive what
// a tone demands of it.
package coil

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// Annealed copper, IEC 60028:1925 (International Annealed Copper Standard).
const (
	CopperResistivity = 1.0 / 58 * 1e-6 // at 20 °C [Ω·m]
	// CopperCoefficient is the relative rise of a wire's resistance a kelvin, from
	// 20 °C on, at constant mass [1/K].
	CopperCoefficient = 3.93e-3
)

// Wire is a round copper wire.
type Wire struct {
	Diameter  float64 // of the copper [m]
	Insulated float64 // over its insulation [m]
}

// Enamelled returns the wire of a copper diameter [m] with a single coat of
// enamel. The coat follows 0.06 mm·√(d/mm), within a third of the grade 1
// maxima of IEC 60317-0-1 from 0.05 to 2 mm (values from memory).
func Enamelled(diameter float64) Wire {
	return Wire{diameter, diameter + 0.06e-3*math.Sqrt(diameter/1e-3)}
}

// AWG returns the enamelled wire of an American wire gauge, −3 (0000) to 50.
//
// Source: ASTM B258, 0.005 in · 92^((36−n)/39).
func AWG(n int) Wire {
	return Enamelled(0.005 * 0.0254 * math.Pow(92, float64(36-n)/39))
}

// ParseWire reads "awg 24", "AWG4/0", "0.5mm" or a diameter in metres.
func ParseWire(s string) (Wire, error) {
	text := strings.ToLower(strings.TrimSpace(s))
	wrong := fmt.Errorf("coil: wire %q: write a copper diameter such as 0.5mm, or a gauge such as awg24", s)
	if rest, ok := strings.CutPrefix(text, "awg"); ok {
		rest = strings.TrimSpace(rest)
		n, err := strconv.Atoi(rest)
		switch {
		case strings.HasSuffix(rest, "/0"): // 4/0 is 0000
			if n, err = strconv.Atoi(strings.TrimSuffix(rest, "/0")); n < 1 {
				return Wire{}, wrong
			}
			n = 1 - n
		case len(rest) > 1 && strings.Trim(rest, "0") == "":
			n = 1 - len(rest)
		}
		if err != nil || n < -3 || n > 50 {
			return Wire{}, wrong
		}
		return AWG(n), nil
	}
	unit := 1.0
	if rest, ok := strings.CutSuffix(text, "mm"); ok {
		text, unit = strings.TrimSpace(rest), 1e-3
	}
	d, err := strconv.ParseFloat(text, 64)
	if err != nil || !(d > 0) {
		return Wire{}, wrong
	}
	if d *= unit; d < 5e-6 || d > 0.02 {
		return Wire{}, fmt.Errorf("coil: wire %q: %g m is no wire of a coil: diameters are 0.005 to 20 mm, and without mm in metres", s, d)
	}
	return Enamelled(d), nil
}

// Resistance returns the direct-current resistance a metre [Ω/m] at a
// temperature [°C].
func (w Wire) Resistance(celsius float64) float64 {
	return Resistivity(celsius) / (math.Pi / 4 * w.Diameter * w.Diameter)
}

// Resistivity returns that of annealed copper [Ω·m] at a temperature [°C], as it
// shows in a wire of constant mass.
func Resistivity(celsius float64) float64 {
	return CopperResistivity * (1 + CopperCoefficient*(celsius-20))
}
