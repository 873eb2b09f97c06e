// Package leastsquares minimises sums of squares over manifolds by the
// Levenberg–Marquardt method.
//
// State the residuals in a Problem, in units of their standard deviation, and
// call Solve. The parameters may be plain numbers (Euclidean), unit
// quaternions (Rotation) or a Product of these; a
// derivative is always taken along the manifold's tangent, so no parameter
// is ever redundant or constrained. Result holds the covariance and the rank. A
// Loss weighs residuals for who solves again with its weights.
//
// Linear algebra is by orthogonal factors of the Jacobian, never by the
// normal equations, so that no digits are squared away.
package leastsquares

import "gonum.org/v1/gonum/mat"

// Problem is a sum of squares ½ Σ r_i(x)² to be minimised.
type Problem struct {
	// Residuals is the number of residuals, m.
	Residuals int
	// Function writes the m residuals at x into r. An error at the start ends
	// Solve; at a later point it makes Solve shorten its step, as does a
	// residual that is not finite.
	Function func(x, r []float64) error
	// Jacobian writes the derivative of the residuals along the manifold's
	// tangent into j (m × the tangent's numbers): j[i][k] = ∂r_i(x ⊞ δ)/∂δ_k at
	// δ = 0. j holds arbitrary values before the call. Nil: central differences.
	Jacobian func(x []float64, j *mat.Dense) error
	// Manifold is where x lives; nil: Euclidean of the start's length.
	Manifold Manifold
}
