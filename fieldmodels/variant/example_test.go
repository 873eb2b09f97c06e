package variant_test

import (
	"fmt"

	"tonepose/fieldmodels/variant"
)

// sumGo is the definition of a kernel.
func sumGo(x []float64) (sum float64) {
	for _, v := range x {
		sum += v
	}
	return sum
}

// sumPairs stands for its form in assembly.
func sumPairs(x []float64) (sum float64) {
	for ; len(x) > 1; x = x[2:] {
		sum += x[0] + x[1]
	}
	return sum + sumGo(x)
}

// Callers read the variable; a test goes through all that the processor runs. The
// numbers from 1 to 100 add up to 100·101/2.
func ExampleKernel() {
	sum := sumGo
	kernel := variant.New("example.Sum", &sum)
	kernel.Add(variant.Go, sumPairs) // in earnest variant.AVX2, in the init of a file for that processor

	numbers := make([]float64, 100)
	for i := range numbers {
		numbers[i] = float64(i + 1)
	}
	for range kernel.Each() {
		fmt.Println(sum(numbers))
	}
	// Output:
	// 5050
	// 5050
}
