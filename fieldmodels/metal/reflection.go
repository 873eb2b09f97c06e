package metal

import (
	"math"
	"math/cmplx"
	"slices"

	"gonum.org/v1/gonum/mat"

	"tonepose/fieldmodels"
)

// Reflection is R(λ) of a plate at hz: of a scalar potential of wave number λ [1/m] along
// its surface, the part that comes back. −1 is that of a perfect conductor, (μ − 1)/(μ +
// 1) that of magnetisation alone.
//
// With u = √(λ² + jωμσ) and r = (μλ − u)/(μλ + u), half of space filled gives r, a plate
// of a thickness d r·(1 − e^{−2ud})/(1 − r²·e^{−2ud}): what went through its back is gone.
//
// Source: Wait, Geo-Electromagnetism (1982), for layered media; derived from the
// continuity of normal B and tangential H.
func Reflection(lambda, thickness float64, material Material, hz float64) complex128 {
	mu := material.Permeability
	u := cmplx.Sqrt(complex(lambda*lambda, 2*math.Pi*hz*mu*fieldmodels.Mu0*material.Conductivity))
	a := complex(mu*lambda, 0)
	r := (a - u) / (a + u)
	if math.IsInf(thickness, 1) {
		return r
	}
	back := cmplx.Exp(-2 * u * complex(thickness, 0))
	return r * (1 - back) / (1 - r*r*back)
}

// images fits Σ c_i·e^{−λ·s_i} to the reflection at all frequencies, with depths common to
// them, and returns the depths, −c_i of each by frequency, and the largest misfit.
//
// Wave numbers and depths are laid out evenly in their logarithm, about the skin depth δ:
// R changes where λ is near 1/δ, for permeable metal from 1/μδ on, for a thin plate up
// from d/δ². How deep images must lie then is searched for, within a few.
func images(thickness float64, material Material, hz []float64) (depth []float64, weight [][]complex128, misfit float64) {
	shallow, deep := material.SkinDepth(slices.Max(hz)), material.SkinDepth(slices.Min(hz))
	reach := max(material.Permeability, deep/thickness)
	rows := logarithmic(1e-3/(deep*reach), 1e3/min(shallow, thickness), fitRows)
	wanted := mat.NewDense(len(rows), 2*len(hz), nil)
	for i, lambda := range rows {
		for k, f := range hz {
			r := Reflection(lambda, thickness, material, f)
			wanted.Set(i, 2*k, -real(r))
			wanted.Set(i, 2*k+1, -imag(r))
		}
	}
	misfit = math.Inf(1)
	for _, nearest := range []float64{0.06, 0.12, 0.25} {
		for _, farthest := range []float64{8, 16, 32, 64} {
			s := append([]float64{0}, logarithmic(nearest*shallow, farthest*deep*reach, imageCount-1)...)
			system := mat.NewDense(len(rows), len(s), nil)
			for i, lambda := range rows {
				for j, d := range s {
					system.Set(i, j, math.Exp(-lambda*d))
				}
			}
			var svd mat.SVD
			if !svd.Factorize(system, mat.SVDThin) {
				continue
			}
			var c, fitted mat.Dense
			svd.SolveTo(&c, wanted, svd.Rank(smallest))
			fitted.Mul(system, &c)
			fitted.Sub(&fitted, wanted)
			worst := 0.0
			for i := range rows {
				for k := range hz {
					worst = max(worst, math.Hypot(fitted.At(i, 2*k), fitted.At(i, 2*k+1)))
				}
			}
			if worst >= misfit {
				continue
			}
			depth, misfit, weight = s, worst, nil
			for j := range s {
				row := make([]complex128, len(hz))
				for k := range hz {
					row[k] = complex(c.At(j, 2*k), c.At(j, 2*k+1))
				}
				weight = append(weight, row)
			}
		}
	}
	return depth, weight, misfit
}

const (
	imageCount = 24
	fitRows    = 240
	// smallest singular value that counts, relative: weights stay below 1e4, whose
	// rounding is 1e-12.
	smallest = 1e-9
)

// logarithmic is n numbers from a to b, evenly in their logarithm.
func logarithmic(a, b float64, n int) []float64 {
	out := make([]float64, n)
	for i := range out {
		out[i] = a * math.Pow(b/a, float64(i)/float64(n-1))
	}
	return out
}
