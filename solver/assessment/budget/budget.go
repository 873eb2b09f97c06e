// Package budget combines standard uncertainties as the Guide to the Expression
// of Uncertainty in Measurement (JCGM 100:2008, the GUM) has it: linear
// propagation with correlations, effective degrees of freedom, expanded
// uncertainty, and the share that each input has in it.
package budget

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"

	"tonepose/fieldmodels/rigid"
)

// Contribution is one independent part of a combined uncertainty.
type Contribution struct {
	Name  string
	Sigma float64 // standard uncertainty, in the unit of the result
	DOF   float64 // degrees of freedom of Sigma; 0: infinitely many, it is taken as known
}

// Combined is the uncertainty of a result.
type Combined struct {
	Sigma    float64 // combined standard uncertainty
	DOF      float64 // effective degrees of freedom; +Inf when all are known
	Factor   float64 // coverage factor k for the wanted coverage
	Expanded float64 // k·Sigma
}

// Combine adds independent contributions: root of the sum of squares, effective
// degrees of freedom after Welch and Satterthwaite, and Student's t for the
// coverage (0.95). Between whole degrees of freedom Student's t interpolates, as
// the GUM allows.
//
// Source: JCGM 100:2008, 5.1.2, G.4.1 eq. (G.2b), G.6.4.
func Combine(parts []Contribution, coverage float64) Combined {
	var variance, fourth float64
	for _, p := range parts {
		v := p.Sigma * p.Sigma
		variance += v
		if p.DOF > 0 && !math.IsInf(p.DOF, 1) {
			fourth += v * v / p.DOF
		}
	}
	c := Combined{Sigma: math.Sqrt(variance), DOF: math.Inf(1)}
	if fourth > 0 {
		c.DOF = variance * variance / fourth
	}
	c.Factor = CoverageFactor(c.DOF, coverage)
	c.Expanded = c.Factor * c.Sigma
	return c
}

// CoverageFactor is the k of an interval ±k·sigma that holds the true value with
// the given probability; degrees of freedom below one count as one.
func CoverageFactor(dof, coverage float64) float64 {
	p := (1 + coverage) / 2
	if math.IsInf(dof, 1) {
		return distuv.UnitNormal.Quantile(p)
	}
	return distuv.StudentsT{Mu: 0, Sigma: 1, Nu: max(1, dof)}.Quantile(p)
}

// Input is a quantity that a result depends on.
type Input struct {
	Name  string
	Value float64
	Sigma float64 // standard uncertainty
	DOF   float64 // of Sigma; 0: infinitely many
	// Group names inputs that were evaluated together, from the same
	// observations: only they may be correlated, and their common contribution
	// has their common DOF. Empty: by itself.
	Group string
}

// Output is one result with its budget.
type Output struct {
	Value float64
	Combined
	// Sensitivity is ∂y/∂x of each input, Contribution its product with the
	// input's standard uncertainty, with its sign.
	Sensitivity, Contribution []float64
}

// Budget is what Propagate finds.
type Budget struct {
	Inputs  []Input
	Outputs []Output
	// Correlation of the outputs, which the inputs that they share bring about.
	Correlation *mat.SymDense
}

// Propagate carries the uncertainty of inputs through model, which writes
// len(outputs) results for the inputs x into y. correlation is that of the inputs;
// nil: none.
//
// Source: JCGM 100:2008, 5.2.2 eq. (13), derivatives as in 5.1.3 by central
// differences; correlation of outputs as in H.2.3 eq. (H.9).
func Propagate(model func(y, x []float64), outputs int, inputs []Input, correlation mat.Symmetric, coverage float64) (*Budget, error) {
	n := len(inputs)
	covariance, err := covarianceOf(inputs, correlation)
	if err != nil {
		return nil, err
	}
	x, y := make([]float64, n), make([]float64, outputs)
	for i, in := range inputs {
		x[i] = in.Value
	}
	b := &Budget{Inputs: inputs, Outputs: make([]Output, outputs), Correlation: mat.NewSymDense(outputs, nil)}
	model(y, x)
	sensitivity := mat.NewDense(outputs, n, nil)
	up, down := make([]float64, outputs), make([]float64, outputs)
	for i := range inputs {
		// A hundredth of a standard uncertainty leaves 1e-5 of the curvature's
		// effect; below 1e-6 of the value rounding would rule.
		h := max(inputs[i].Sigma/100, 1e-6*math.Abs(x[i]))
		if h == 0 {
			continue
		}
		keep := x[i]
		x[i] = keep + h
		model(up, x)
		x[i] = keep - h
		model(down, x)
		x[i] = keep
		for k := range outputs {
			sensitivity.Set(k, i, (up[k]-down[k])/(2*h))
		}
	}
	joint := rigid.Propagate(sensitivity, covariance)
	for k := range outputs {
		o := &b.Outputs[k]
		o.Value = y[k]
		for i, in := range inputs {
			c := sensitivity.At(k, i)
			o.Sensitivity = append(o.Sensitivity, c)
			o.Contribution = append(o.Contribution, c*in.Sigma)
		}
		o.Combined = Combine(groups(inputs, covariance, o.Sensitivity), coverage)
		for l := range k + 1 {
			r := joint.At(k, l) / math.Sqrt(joint.At(k, k)*joint.At(l, l))
			if k == l {
				r = 1
			}
			b.Correlation.SetSym(k, l, r)
		}
	}
	return b, nil
}

// covarianceOf checks that only members of one group are correlated.
func covarianceOf(inputs []Input, correlation mat.Symmetric) (*mat.SymDense, error) {
	n := len(inputs)
	if correlation != nil && correlation.SymmetricDim() != n {
		panic("budget: correlation and inputs differ in number")
	}
	c := mat.NewSymDense(n, nil)
	for i, a := range inputs {
		if !(a.Sigma >= 0) || math.IsInf(a.Sigma, 0) || a.DOF < 0 {
			return nil, fmt.Errorf("budget: %s has standard uncertainty %g with %g degrees of freedom: neither may be negative", a.Name, a.Sigma, a.DOF)
		}
		c.SetSym(i, i, a.Sigma*a.Sigma)
		for j, b := range inputs[:i] {
			if correlation == nil || correlation.At(i, j) == 0 {
				continue
			}
			if a.Group == "" || a.Group != b.Group || a.DOF != b.DOF {
				return nil, fmt.Errorf("budget: %s and %s are correlated but do not share a group and its degrees of freedom", a.Name, b.Name)
			}
			c.SetSym(i, j, correlation.At(i, j)*a.Sigma*b.Sigma)
		}
	}
	return c, nil
}

// groups gathers what each group contributes to one output.
func groups(inputs []Input, covariance mat.Symmetric, sensitivity []float64) []Contribution {
	var parts []Contribution
	at := map[string]int{}
	for i, in := range inputs {
		variance := sensitivity[i] * sensitivity[i] * covariance.At(i, i)
		k, seen := at[in.Group]
		if in.Group == "" || !seen {
			at[in.Group] = len(parts)
			parts = append(parts, Contribution{Name: in.Name, Sigma: variance, DOF: in.DOF})
			continue
		}
		for j := range i {
			if inputs[j].Group == in.Group {
				variance += 2 * sensitivity[i] * sensitivity[j] * covariance.At(i, j)
			}
		}
		parts[k].Sigma += variance
	}
	for i := range parts {
		parts[i].Sigma = math.Sqrt(max(0, parts[i].Sigma))
	}
	return parts
}

// Observed evaluates inputs that were observed together, one row an observation,
// one column an input (type A): their means, the standard uncertainties of these
// and their correlation.
//
// Source: JCGM 100:2008, 4.2.3 and 5.2.3 eq. (17).
func Observed(rows mat.Matrix, names []string, group string) ([]Input, *mat.SymDense, error) {
	n, m := rows.Dims()
	if n < 2 {
		return nil, nil, fmt.Errorf("budget: %d observations of %s: at least 2 are needed", n, group)
	}
	var covariance mat.SymDense
	stat.CovarianceMatrix(&covariance, rows, nil)
	inputs := make([]Input, m)
	correlation := mat.NewSymDense(m, nil)
	for i := range m {
		inputs[i] = Input{Name: names[i], Value: stat.Mean(mat.Col(nil, i, rows), nil),
			Sigma: math.Sqrt(covariance.At(i, i) / float64(n)), DOF: float64(n - 1), Group: group}
		for j := range i + 1 {
			r := 1.0
			if i != j {
				r = covariance.At(i, j) / math.Sqrt(covariance.At(i, i)*covariance.At(j, j))
			}
			correlation.SetSym(i, j, r)
		}
	}
	return inputs, correlation, nil
}
