package virtual

import (
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"

	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/cmd/tonepose/internal/simulate"
)

// Variants are the benches that there are.
var Variants = []Choice{
	{AsBuilt, "as built: the rig knows it"},
	{CloseTones, "two tones 65 Hz apart"},
	{Dipoles, "loops, solved as if they were dipoles"},
	{OneCoil, "one coil: five degrees of freedom"},
	{Uncalibrated, "coils 1 mm beside where the rig says"},
}

// The variants' names.
const (
	AsBuilt      = "as built"
	CloseTones   = "close tones"
	Dipoles      = "dipoles"
	OneCoil      = "one coil"
	Uncalibrated = "not calibrated"
)

// rigs are the one that makes a variant's samples, and the one by which they are solved.
func rigs(variant string) (real, known *rig.Rig, err error) {
	built, err := simulate.BuiltinRig()
	if err != nil {
		return nil, nil, err
	}
	text := string(built.Text)
	parse := func(text string) *rig.Rig {
		r, wrong := rig.Parse("bench.rig.yaml", []byte(text), rig.Options{})
		if err == nil && wrong != nil {
			err = fmt.Errorf("variant %q: %w", variant, wrong)
		}
		return r
	}
	switch variant {
	case AsBuilt:
		return built, built, nil
	case CloseTones:
		r := parse(strings.Replace(text, "tone_hz: 6175", "tone_hz: 5090", 1))
		return r, r, err
	case Dipoles:
		return built, parse(asDipoles(text)), err
	case OneCoil:
		r := parse(oneCoil(text))
		return r, r, err
	case Uncalibrated:
		return parse(displaced(text)), built, err
	}
	return nil, nil, fmt.Errorf("no variant %q of the bench", variant)
}

var loop = regexp.MustCompile(`\{type: loop, center_m: (\[[^\]]*\]), axis: \[([^\]]*)\], radius_m: ([0-9.]+), turns: ([0-9]+)\}`)

// asDipoles puts a dipole of the same moment a current in the place of each loop.
func asDipoles(text string) string {
	return loop.ReplaceAllStringFunc(text, func(model string) string {
		m := loop.FindStringSubmatch(model)
		radius, _ := strconv.ParseFloat(m[3], 64) // as the expression has them
		turns, _ := strconv.ParseFloat(m[4], 64)
		axis := numbers(m[2])
		size := math.Sqrt(axis[0]*axis[0] + axis[1]*axis[1] + axis[2]*axis[2])
		moment := turns * math.Pi * radius * radius / size
		return fmt.Sprintf("{type: dipole, center_m: %s, moment_m2: [%.9g, %.9g, %.9g]}", m[1], moment*axis[0], moment*axis[1], moment*axis[2])
	})
}

// oneCoil leaves the sensor its first coil, at its origin.
func oneCoil(text string) string {
	at := strings.Index(text, "  - {channel: rx1, center_m: [0.005, 0, 0]")
	coil, _, _ := strings.Cut(text[at:], "\n")
	return text[:at] + strings.Replace(coil, "[0.005, 0, 0]", "[0, 0, 0]", 1) + "\n"
}

// displaced moves each emitter by 1 mm, in directions that go round.
func displaced(text string) string {
	n := 0
	return loop.ReplaceAllStringFunc(text, func(model string) string {
		m := loop.FindStringSubmatch(model)
		c := numbers(strings.Trim(m[1], "[]"))
		turn, rise := 2*math.Pi*float64(n)*0.382, math.Cos(2*float64(n))
		n++
		flat := math.Sqrt(1 - rise*rise)
		return strings.Replace(model, m[1], fmt.Sprintf("[%.6f, %.6f, %.6f]", c[0]+1e-3*flat*math.Cos(turn), c[1]+1e-3*flat*math.Sin(turn), c[2]+1e-3*rise), 1)
	})
}

func numbers(list string) (v [3]float64) {
	for i, word := range strings.SplitN(list, ",", 3) {
		v[i], _ = strconv.ParseFloat(strings.TrimSpace(word), 64) // of the rig, which was read
	}
	return v
}
