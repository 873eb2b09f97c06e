package rig_test

import (
	"errors"
	"fmt"

	"tonepose/cmd/tonepose/internal/rig"
)

func ExampleParse() {
	text := `name: bench
sample_rate_hz: 100000
working_volume: {min_m: [-0.2, -0.2, 0.03], max_m: [0.2, 0.2, 0.4]}
channels:
- {name: rx1, full_scale_v: 2.5, gain: 100, delay_s: 1.5e-6}
- {name: drive, full_scale_v: 2.5}
emitters:
- name: e1
  tone_hz: 5125
  current_a_peak: 0.5
  reference: {channel: drive, transimpedance_ohm: 0.5}
  model: {type: loop, center_m: [0.2, 0, 0], axis: [0, 0, 1], radius_mm: 35, turns: 40}
sensors:
- name: probe
  coils:
  - {channel: rx3, center_m: [0, 0, 0], axis: [0, 0, 1], area_turns_m2: 0.004}
`
	_, err := rig.Parse("bench.rig.yaml", []byte(text), rig.Options{})
	var all rig.Errors
	if errors.As(err, &all) {
		for _, e := range all {
			fmt.Println("error:", e)
			fmt.Println("hint:", e.Hint)
		}
	}
	// Output:
	// error: bench.rig.yaml:12: emitters[0].model.radius_mm = 35: unknown key
	// hint: write radius_m: 0.035
	// error: bench.rig.yaml:16: sensors[0].coils[0].channel = rx3: is not a channel
	// hint: channels are rx1, drive
}
