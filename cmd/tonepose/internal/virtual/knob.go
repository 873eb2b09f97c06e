package virtual

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"

	"tonepose/cmd/tonepose/internal/rig"
)

// Knob is one thing that can be turned, as a page draws it.
type Knob struct {
	ID       string    `json:"id"`
	Label    string    `json:"label"`
	Unit     string    `json:"unit,omitempty"`
	Kind     string    `json:"kind"`           // linear, log, log0 (with a zero at its low end), switch, place, rotation vector or choice
	Each     string    `json:"each,omitempty"` // emitter or coil: one value each, else one
	Least    float64   `json:"least"`
	Greatest float64   `json:"greatest"`
	Low      []float64 `json:"low,omitempty"` // of a place: x, y, z
	High     []float64 `json:"high,omitempty"`
	Choices  []Choice  `json:"choices,omitempty"`
	Start    any       `json:"start"`
	Value    any       `json:"value"`
	Help     string    `json:"help"`

	of func(*State) any // pointer to the value
}

// Choice is one value of a knob that has a list of them.
type Choice struct {
	Value string `json:"value"`
	Words string `json:"words"`
}

// Knobs are all of them, as they stand.
func (b *Bench) Knobs() []Knob {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.knobs()
}

func (b *Bench) knobs() []Knob {
	first := start(b.known, b.state.Variant)
	all := knobsOf(b.known)
	for i := range all {
		k := &all[i]
		k.Start, k.Value = valueOf(k.of(&first)), valueOf(k.of(&b.state))
	}
	return all
}

// valueOf is a copy of what a pointer of a state points to.
func valueOf(p any) any {
	switch p := p.(type) {
	case *float64:
		return *p
	case *bool:
		return *p
	case *string:
		return *p
	case *[]float64:
		return slices.Clone(*p)
	case *[]bool:
		return slices.Clone(*p)
	case *[3]float64:
		return slices.Clone(p[:])
	}
	panic(fmt.Sprintf("virtual: a knob of %T", p))
}

func knobsOf(r *rig.Rig) []Knob {
	v := r.WorkingVolume
	low, high := []float64{v.Min.X, v.Min.Y, v.Min.Z}, []float64{v.Max.X, v.Max.Y, v.Max.Z}
	const reach = 0.1 // beyond the volume, where metal may be [m]
	beyondLow, beyondHigh := []float64{v.Min.X - reach, v.Min.Y - reach, v.Min.Z}, []float64{v.Max.X + reach, v.Max.Y + reach, v.Max.Z + reach}
	return []Knob{
		{ID: "variant", Label: "bench", Kind: "choice", Choices: Variants, of: func(s *State) any { return &s.Variant }, Help: "another bench, or another model of it"},
		{ID: "window", Label: "window", Unit: "s", Kind: "log", Least: 2e-3, Greatest: 0.5, of: func(s *State) any { return &s.Window }, Help: "length of the windows that are measured"},
		{ID: "hop", Label: "hop", Unit: "s", Kind: "log", Least: 2e-3, Greatest: 0.5, of: func(s *State) any { return &s.Hop }, Help: "from one window's start to the next, the window's length at most"},
		{ID: "taper", Label: "taper", Kind: "choice", Choices: []Choice{{"hann", "Hann"}, {"rectangular", "rectangular"}, {"blackman-harris", "Blackman–Harris"}}, of: func(s *State) any { return &s.Taper }, Help: "weighting of the windows"},
		{ID: "noise", Label: "noise", Unit: "V/√Hz", Kind: "log", Least: 1e-9, Greatest: 1e-5, of: func(s *State) any { return &s.Noise }, Help: "white noise at every amplifier's input"},
		{ID: "mains", Label: "mains", Unit: "V", Kind: "log0", Least: 1e-7, Greatest: 1e-2, of: func(s *State) any { return &s.Mains }, Help: "peak of the 50 Hz hum at every amplifier's input, with its harmonics"},
		{ID: "clock", Label: "clock offset", Unit: "ppm", Kind: "linear", Least: -200, Greatest: 200, of: func(s *State) any { return &s.ClockPPM }, Help: "of the generator against the converter"},
		{ID: "clock_ignored", Label: "ignore the clock offset", Kind: "switch", of: func(s *State) any { return &s.ClockIgnored }, Help: "measure the tones where the rig says instead of where they are"},
		{ID: "drive", Label: "drive current", Unit: "of nominal", Kind: "linear", Least: 0, Greatest: 2, Each: "emitter", of: func(s *State) any { return &s.Drive }, Help: "0 switches a drive off"},
		{ID: "away", Label: "taken away", Kind: "switch", Each: "emitter", of: func(s *State) any { return &s.Away }, Help: "the emitter is carried out of reach; its current goes on"},
		{ID: "reversed", Label: "leads reversed", Kind: "switch", Each: "coil", of: func(s *State) any { return &s.Reversed }, Help: "the two leads of a coil are exchanged"},
		{ID: "metal", Label: "metal ball", Kind: "switch", of: func(s *State) any { return &s.Metal }, Help: "of aluminium"},
		{ID: "metal_position", Label: "ball's centre", Unit: "m", Kind: "place", Low: beyondLow, High: beyondHigh, of: func(s *State) any { return &s.MetalPlace }, Help: ""},
		{ID: "metal_radius", Label: "ball's radius", Unit: "m", Kind: "linear", Least: 5e-3, Greatest: 40e-3, of: func(s *State) any { return &s.MetalRadius }, Help: "in whole millimetres"},
		{ID: "follow_path", Label: "follow the path", Kind: "switch", of: func(s *State) any { return &s.FollowPath }, Help: "else the sensor stays where it is put"},
		{ID: "sensor_position", Label: "sensor", Unit: "m", Kind: "place", Low: low, High: high, of: func(s *State) any { return &s.Place }, Help: ""},
		{ID: "sensor_rotation", Label: "sensor's rotation", Unit: "rad", Kind: "rotation vector", Least: -math.Pi, Greatest: math.Pi, of: func(s *State) any { return &s.RotationVector }, Help: ""},
	}
}

// take puts a value as a page sends it into a state.
func (k *Knob) take(to *State, text json.RawMessage) error {
	switch p := k.of(to).(type) {
	case *float64:
		return k.number(p, text)
	case *bool:
		return json.Unmarshal(text, p)
	case *string:
		if err := json.Unmarshal(text, p); err != nil {
			return err
		}
		if !slices.ContainsFunc(k.Choices, func(c Choice) bool { return c.Value == *p }) {
			return fmt.Errorf("%q: must be one of its choices", *p)
		}
		return nil
	case *[]float64:
		return each(*p, text, k.number)
	case *[]bool:
		return each(*p, text, func(p *bool, text json.RawMessage) error { return json.Unmarshal(text, p) })
	case *[3]float64:
		var v []float64
		if err := json.Unmarshal(text, &v); err != nil {
			return err
		}
		if len(v) != 3 {
			return errors.New("must be three numbers")
		}
		for i, x := range v {
			if k.Low != nil && !(x >= k.Low[i] && x <= k.High[i]) {
				return fmt.Errorf("%g: must lie in %g to %g", x, k.Low[i], k.High[i])
			}
			if k.Low == nil && !(math.Abs(x) <= k.Greatest) {
				return fmt.Errorf("%g: must lie within ±%g", x, k.Greatest)
			}
			p[i] = x
		}
		return nil
	}
	return errors.New("cannot be turned")
}

func (k *Knob) number(p *float64, text json.RawMessage) error {
	var v float64
	if err := json.Unmarshal(text, &v); err != nil {
		return err
	}
	if k.Kind == "log0" && v == 0 || v >= k.Least && v <= k.Greatest {
		*p = v
		return nil
	}
	return fmt.Errorf("%g: must lie in %g to %g", v, k.Least, k.Greatest)
}

// each takes a list of all values, or an object of some by their number.
func each[T any](values []T, text json.RawMessage, take func(*T, json.RawMessage) error) error {
	var list []json.RawMessage
	if json.Unmarshal(text, &list) == nil {
		if len(list) != len(values) {
			return fmt.Errorf("%d values: must be %d", len(list), len(values))
		}
		for i := range list {
			if err := take(&values[i], list[i]); err != nil {
				return err
			}
		}
		return nil
	}
	var some map[string]json.RawMessage
	if err := json.Unmarshal(text, &some); err != nil {
		return errors.New("must be a list, or an object of some values by their number")
	}
	for name, v := range some {
		i, err := strconv.Atoi(name)
		if err != nil || i < 0 || i >= len(values) {
			return fmt.Errorf("%q: must be a number from 0 to %d", name, len(values)-1)
		}
		if err := take(&values[i], v); err != nil {
			return err
		}
	}
	return nil
}
