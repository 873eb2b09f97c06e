package budget_test

import (
	"fmt"

	"gonum.org/v1/gonum/mat"

	"tonepose/solver/assessment/budget"
)

func ExamplePropagate() {
	// Power in a resistor, P = U²/R: relative variances 4·(0.1 %)² + (0.2 %)².
	power := func(y, x []float64) { y[0] = x[0] * x[0] / x[1] }
	b, err := budget.Propagate(power, 1, []budget.Input{{Name: "U", Value: 10, Sigma: 0.01}, {Name: "R", Value: 50, Sigma: 0.1}}, nil, 0.95)
	if err != nil {
		fmt.Println(err)
		return
	}
	p := &b.Outputs[0]
	fmt.Printf("%.3f W, sigma %.4f W, of it %.4f from U and %.4f from R\n", p.Value, p.Sigma, p.Contribution[0], p.Contribution[1])
	// Output:
	// 2.000 W, sigma 0.0057 W, of it 0.0040 from U and -0.0040 from R
}

func ExampleObserved() {
	// Two quantities read together four times: means, and sigmas of the means.
	rows := mat.NewDense(4, 2, []float64{1, 5, 2, 4, 3, 6, 2, 5})
	inputs, correlation, err := budget.Observed(rows, []string{"a", "b"}, "readings")
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%.1f ± %.3f and %.1f ± %.3f, correlation %.2f\n", inputs[0].Value, inputs[0].Sigma, inputs[1].Value, inputs[1].Sigma, correlation.At(0, 1))
	// Output:
	// 2.0 ± 0.408 and 5.0 ± 0.408, correlation 0.50
}
