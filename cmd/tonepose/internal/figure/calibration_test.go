package figure

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
)

func TestResiduals(t *testing.T) {
	random := rand.New(rand.NewPCG(1, 2))
	d := ResidualData{Title: "Residuals", Note: "invented data", Emitters: []string{"e1", "e2", "bobbin3"}, Outliers: []int{7}}
	for s := range 40 {
		for e := range d.Emitters {
			for range 3 {
				v := random.NormFloat64()
				if s == 6 {
					v *= 5
				}
				if s == 9 && e == 1 {
					v = math.NaN()
				}
				d.Station, d.Emitter, d.Value = append(d.Station, s+1), append(d.Emitter, e), append(d.Value, v)
			}
		}
	}
	look(t, "residuals", Residuals(d))
	look(t, "residuals-empty", Residuals(ResidualData{Title: "Nothing"}))
}

func TestParametersAndCorrelations(t *testing.T) {
	random := rand.New(rand.NewPCG(3, 2))
	for _, n := range []int{0, 7, 200} {
		d, c := ParameterData{Title: "Parameters", Note: "invented data"}, CorrelationData{Title: "Correlations", Note: "invented data"}
		for i := range n {
			d.Names, d.Units = append(d.Names, fmt.Sprintf("e%d place x", i+1)), append(d.Units, "m")
			before := random.NormFloat64()
			d.Before, d.Sigma = append(d.Before, before), append(d.Sigma, 1e-4)
			d.After = append(d.After, before+1e-4*math.Exp(4*random.NormFloat64()))
		}
		c.Names = d.Names
		for i := range n {
			for j := range n {
				c.Value = append(c.Value, math.Exp(-math.Abs(float64(i-j)))*math.Cos(float64(i-j)))
			}
		}
		look(t, fmt.Sprintf("parameters-%d", n), Parameters(d))
		look(t, fmt.Sprintf("correlations-%d", n), Correlations(c))
	}
}
