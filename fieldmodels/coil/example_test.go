package coil_test

import (
	"fmt"

	"tonepose/fieldmodels/coil"
)

func ExampleWheeler() {
	// 100 turns of 10 mm radius over 0.1 m: 36.119 µH by Wheeler's formula, 36.324 µH
	// as a current sheet (testdata/published/solenoid_inductance.csv).
	fmt.Printf("%.3f µH, sheet %.3f µH\n", 1e6*coil.Wheeler(0.01, 0.1, 100), 1e6*coil.SheetInductance(0.01, 0.1, 100))
	// Output: 36.119 µH, sheet 36.324 µH
}
