// Package coil computes what a wound coil is to its driver and amplifier: its
// resistance over temperature and frequency, inductance, self-resonance, the
// voltage a current needs, the heat it makes; and, as a pickup, its sensitivity
// and thermal noise.
//
// ParseWire or AWG gives a wire, Bundle or a Coil literal a winding, Drive what
// a tone demands of it.
//
//	w, err := coil.ParseWire("0.5mm")	// or "awg 24"
//	c := coil.Bundle(0.03, 40, w)		// radius [m], turns
//	load := c.Drive(8, 5125, 20)
//
// All is in SI units but temperatures, which are in degrees Celsius; currents and voltages
// are as each name says.
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

// grade1 are the maxima over the enamel of grade 1 of fine wires: copper and overall
// diameters [mm].
//
// Source: IEC 60317-0-1, Table 1, as reprinted (testdata/published/iec60317_round_enamelled.csv).
var grade1 = [][2]float64{
	{0.018, 0.022}, {0.020, 0.024}, {0.022, 0.027}, {0.025, 0.031}, {0.028, 0.034}, {0.032, 0.039}, {0.036, 0.044}, {0.040, 0.049},
	{0.045, 0.055}, {0.050, 0.060}, {0.056, 0.067}, {0.063, 0.076}, {0.071, 0.084}, {0.080, 0.094}, {0.090, 0.105}, {0.100, 0.117},
}

// Enamelled returns the wire of a copper diameter [m] with a single coat of
// enamel: up to 0.1 mm as thick as IEC 60317-0-1 allows at most (grade 1), and below
// its finest, 0.018 mm, in proportion; from 0.2 mm on 0.06 mm·√(d/mm), which was not
// checked against the standard. What lies between follows lines.
func Enamelled(diameter float64) Wire {
	d := diameter * 1e3
	rule := func(d float64) float64 { return d + 0.06*math.Sqrt(d) }
	if d >= 0.2 {
		return Wire{diameter, rule(d) * 1e-3}
	}
	before := [2]float64{}
	for _, row := range append(grade1[:len(grade1):len(grade1)], [2]float64{0.2, rule(0.2)}) {
		if d <= row[0] {
			over := before[1] + (row[1]-before[1])*(d-before[0])/(row[0]-before[0])
			return Wire{diameter, over * 1e-3}
		}
		before = row
	}
	panic("unreachable")
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
