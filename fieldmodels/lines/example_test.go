package lines_test

import (
	"fmt"

	"tonepose/fieldmodels/lines"
)

// Two rotations by a quarter turn, each [[0, −1], [1, 0]], make half a turn: −1.
func ExampleAddProduct() {
	quarter := []lines.Line{{0, -1}, {1, 0}}
	half := make([]lines.Line, 2)
	lines.AddProduct(half, quarter, quarter)
	for _, row := range half {
		fmt.Println(row[:2])
	}
	// Output:
	// [-1 0]
	// [0 -1]
}
