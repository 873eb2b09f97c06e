package exposure_test

import (
	"fmt"

	"tonepose/fieldmodels/exposure"
)

func ExampleRatio() {
	// Three tones of 10 µT rms between 10 and 15 kHz, where the general public's level
	// is 27 µT: 3·10/27 (ICNIRP 2010, eq. (5)).
	sum, err := exposure.Ratio(exposure.GeneralPublic, []exposure.Tone{{Hz: 10e3, BRMS: 1e-5}, {Hz: 12e3, BRMS: 1e-5}, {Hz: 15e3, BRMS: 1e-5}})
	fmt.Printf("%.3f %v\n", sum, err)
	// Output: 1.111 <nil>
}
