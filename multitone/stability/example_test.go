package stability_test

import (
	"fmt"

	"tonepose/multitone/stability"
)

func ExampleDeviations() {
	// The nine frequencies of NBS Monograph 140, Annex 8.E; NIST SP 1065 Table 30 gives
	// an Allan deviation of 91.22945 at τ = 1 s and 115.8082 at 2 s.
	s, err := stability.Values([]float64{892, 809, 823, 798, 671, 644, 883, 903, 677}, 1)
	if err != nil {
		fmt.Println(err)
		return
	}
	p, err := stability.Deviations(s, stability.Allan, []int{1, 2}, 0.95)
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, q := range p {
		fmt.Printf("τ = %g s: %.7g\n", q.TauS, q.Deviation)
	}
	// Output:
	// τ = 1 s: 91.22945
	// τ = 2 s: 115.8082
}
