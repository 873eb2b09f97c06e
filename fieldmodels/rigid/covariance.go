package rigid

import (
	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"
)

// Covariance of a pose: over x y z [m] and the rotation vector [rad] of the outer
// frame, q_true = exp(δ/2)·q.
type Covariance = [6][6]float64

// Unit3 is the unit matrix.
var Unit3 = [3][3]float64{{1, 0, 0}, {0, 1, 0}, {0, 0, 1}}

// Mul is a·b.
func Mul(a, b [3][3]float64) (c [3][3]float64) {
	for i := range 3 {
		for j := range 3 {
			for k := range 3 {
				c[i][j] += a[i][k] * b[k][j]
			}
		}
	}
	return c
}

// Transpose is aᵀ.
func Transpose(a [3][3]float64) (b [3][3]float64) {
	for i := range 3 {
		for j := range 3 {
			b[i][j] = a[j][i]
		}
	}
	return b
}

// Skew is [v]×, of which the product with a vector is the cross product.
func Skew(v r3.Vec) [3][3]float64 {
	return [3][3]float64{{0, -v.Z, v.Y}, {v.Z, 0, -v.X}, {-v.Y, v.X, 0}}
}

// Sandwich is j·c·jᵀ.
func Sandwich(j, c *Covariance) (out Covariance) {
	var half Covariance
	for a := range 6 {
		for b := range 6 {
			for k := range 6 {
				half[a][b] += j[a][k] * c[k][b]
			}
		}
	}
	for a := range 6 {
		for b := range 6 {
			for k := range 6 {
				out[a][b] += half[a][k] * j[b][k]
			}
		}
	}
	return out
}

// Propagate is m·c·mᵀ, the covariance of m·x for c that of x.
func Propagate(m *mat.Dense, c *mat.SymDense) *mat.SymDense {
	var out mat.Dense
	out.Product(m, c, m.T())
	n, _ := out.Dims()
	symmetric := mat.NewSymDense(n, nil)
	for i := range n {
		for k := i; k < n; k++ {
			symmetric.SetSym(i, k, (out.At(i, k)+out.At(k, i))/2)
		}
	}
	return symmetric
}

// CovarianceAt is the covariance of a pose taken at a point that is fixed to the
// body, arm [m] away from its origin in the outer frame: of δp + δ × arm and δ.
func CovarianceAt(c *Covariance, arm r3.Vec) Covariance {
	s := Skew(arm)
	var j Covariance
	for i := range 3 {
		j[i][i], j[3+i][3+i] = 1, 1
		for k := range 3 {
			j[i][3+k] = -s[i][k]
		}
	}
	return Sandwich(&j, c)
}

// WithoutRotation is the covariance without what lies along a rotation about the unit
// vector u of the outer frame.
func WithoutRotation(c *Covariance, u r3.Vec) Covariance {
	axis := [3]float64{u.X, u.Y, u.Z}
	var j Covariance
	for i := range 3 {
		j[i][i], j[3+i][3+i] = 1, 1
		for k := range 3 {
			j[3+i][3+k] -= axis[i] * axis[k]
		}
	}
	return Sandwich(&j, c)
}
