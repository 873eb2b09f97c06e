package cli

import (
	"errors"
	"fmt"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"tonepose/multitone/recording"
)

// unit is what a number on an option counts where it is written bare, and how its unit
// may be written beside it.
type unit struct {
	what    string         // what it measures, as messages and help name it
	example string         // with a unit, and bare
	symbols []string       // its own, before which a prefix may stand
	alone   []string       // those that stand without a prefix
	powers  map[string]int // of ten, of other ways to write it
	bare    []string       // prefixes that people write without the unit, as in 48k
}

var (
	hertz       = unit{what: "frequency", example: "3kHz or, in hertz, 3000", symbols: []string{"Hz"}, bare: []string{"k", "M"}}
	volts       = unit{what: "voltage", example: "10mV or, in volts, 0.01", symbols: []string{"V"}}
	density     = unit{what: "noise density", example: "5nV/√Hz, 5nV/rtHz or, in V/√Hz, 5e-9", symbols: []string{"V/√Hz", "V/rtHz", "V/sqrt(Hz)", "V/sqrtHz"}}
	amperes     = unit{what: "current", example: "500mA or, in amperes, 0.5", symbols: []string{"A"}}
	transfer    = unit{what: "gain", example: "500mA/V or, in A/V, 0.5", symbols: []string{"A/V"}}
	ohms        = unit{what: "resistance", example: "1mΩ, 1mOhm or, in V/A, 0.001", symbols: []string{"Ω", "Ω", "ohm", "Ohm", "V/A"}}
	metre       = unit{what: "length", example: "30mm or, in metres, 0.03", symbols: []string{"m"}, powers: map[string]int{"cm": -2}}
	degrees     = unit{what: "angle", example: "30° or 30deg or, in degrees, 30", alone: []string{"°", "deg"}}
	celsius     = unit{what: "temperature", example: "25°C or 25", alone: []string{"°C", "C", "degC"}}
	ppm         = unit{what: "clock offset", example: "25ppm or 25", alone: []string{"ppm"}, powers: map[string]int{"ppb": -3, "%": 4}}
	ppmASecond  = unit{what: "drift", example: "0.1ppm/s or 0.1", alone: []string{"ppm/s"}, powers: map[string]int{"ppb/s": -3}}
	share       = unit{what: "share", example: "1% or 0.01", powers: map[string]int{"%": -2, "ppm": -6}}
	decibels    = unit{what: "suppression", example: "120dB or 120", alone: []string{"dB"}}
	bits        = unit{what: "resolution", example: "24bit or 24", alone: []string{"bit", "bits"}}
	pureNumber  = unit{what: "number"}
	prefixPower = map[string]int{"": 0, "n": -9, "u": -6, "µ": -6, "μ": -6, "m": -3, "k": 3, "M": 6}
)

// power is that of ten by which a way to write the unit multiplies.
func (u unit) power(text string) (int, bool) {
	if p, ok := u.powers[text]; ok || text == "" {
		return p, true
	}
	for _, symbol := range u.alone {
		if text == symbol {
			return 0, true
		}
	}
	for _, prefix := range u.bare {
		if text == prefix {
			return prefixPower[prefix], true
		}
	}
	for _, symbol := range u.symbols {
		if prefix, ok := strings.CutSuffix(text, symbol); ok {
			if p, ok := prefixPower[prefix]; ok {
				return p, true
			}
		}
	}
	return 0, false
}

var numberAndUnit = regexp.MustCompile(`^([-+]?(?:[0-9]+\.?[0-9]*|\.[0-9]+))(?:[eE]([-+]?[0-9]{1,4}))? *(.*)$`)

// number reads any finite number, with the unit or bare. What is written with a prefix is
// the number nearest to it: 3kHz is 3000, and 0.1mm 0.0001.
func (u unit) number(text string) (float64, error) {
	m := numberAndUnit.FindStringSubmatch(text)
	if m == nil {
		return 0, u.refuse(text)
	}
	power, known := u.power(m[3])
	if !known {
		return 0, u.refuse(text)
	}
	exponent, _ := strconv.Atoi(m[2]) // 0 where there is none
	v, err := strconv.ParseFloat(fmt.Sprintf("%se%d", m[1], exponent+power), 64)
	if err != nil {
		return 0, errors.New("must be a finite number")
	}
	return v, nil
}

var decimalComma = regexp.MustCompile(`^([-+]?[0-9]+),([0-9]+)`)

// refuse says how to write what is no number of the unit.
func (u unit) refuse(text string) error {
	if decimalComma.MatchString(text) {
		return pointed(text)
	}
	if u.example == "" {
		return errors.New("must be a finite number")
	}
	return fmt.Errorf("is not a %s: write %s", u.what, u.example)
}

// pointed is the error of a number with a decimal comma.
func pointed(text string) error {
	return fmt.Errorf("the decimal sign is a point: write %s", decimalComma.ReplaceAllString(text, "$1.$2"))
}

// atLeast, between and positive read what number does, within bounds.
func (u unit) atLeast(lowest float64) func(string) (float64, error) {
	return u.between(lowest, math.Inf(1))
}

func (u unit) between(lowest, highest float64) func(string) (float64, error) {
	return func(text string) (float64, error) {
		v, err := u.number(text)
		switch {
		case err != nil:
		case v < lowest && math.IsInf(highest, 1):
			err = fmt.Errorf("must be at least %g", lowest)
		case v < lowest || v > highest:
			err = fmt.Errorf("must be %g to %g", lowest, highest)
		}
		return v, err
	}
}

// sampleRate reads that of a recording.
func sampleRate(text string) (float64, error) {
	v, err := hertz.number(text)
	if err == nil {
		err = recording.CheckRate(v)
	}
	return v, err
}

func (u unit) positive(text string) (float64, error) { return aboveZero(u.number)(text) }

// angle reads an angle from 0 to highest degrees, as radians.
func angle(highest float64) func(string) (float64, error) {
	return func(text string) (float64, error) {
		v, err := degrees.between(0, highest)(text)
		return v * math.Pi / 180, err
	}
}

// oneOf reads one of several numbers.
func (u unit) oneOf(known ...float64) func(string) (float64, error) {
	var names []string
	for _, v := range known {
		names = append(names, strconv.FormatFloat(v, 'g', -1, 64))
	}
	return func(text string) (float64, error) {
		v, err := u.number(text)
		if err != nil || !slices.Contains(known, v) {
			err = &notOneOf{names}
		}
		return v, err
	}
}

// sampleBits reads one of several resolutions.
func sampleBits(known ...float64) func(string) (int, error) {
	return func(text string) (int, error) {
		n, err := bits.oneOf(known...)(text)
		return int(n), err
	}
}

// metres reads a length.
func metres(text string) (float64, error) { return metre.atLeast(0)(text) }
