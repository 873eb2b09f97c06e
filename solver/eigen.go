package solver

import "math"

// eigen is a small symmetric matrix or its eigenvectors, column by column; the
// upper left n×n part counts.
type eigen [6][6]float64

// diagonalise turns a into the diagonal matrix of its eigenvalues by Jacobi's
// rotations and v into the eigenvectors. It ends when the off-diagonal part is
// below tol of the whole, squared.
func (v *eigen) diagonalise(a *eigen, n int, tol float64) {
	*v = eigen{}
	for i := range n {
		v[i][i] = 1
	}
	for range 12 {
		off, all := 0.0, 0.0
		for i := range n {
			all += a[i][i] * a[i][i]
			for j := range i {
				off += a[i][j] * a[i][j]
			}
		}
		if !(2*off > tol*(all+2*off)) {
			return
		}
		for p := 0; p < n-1; p++ {
			for q := p + 1; q < n; q++ {
				if a[p][q] == 0 {
					continue
				}
				theta := (a[q][q] - a[p][p]) / (2 * a[p][q])
				t := 1 / (math.Abs(theta) + math.Sqrt(theta*theta+1))
				if theta < 0 {
					t = -t
				}
				c := 1 / math.Sqrt(t*t+1)
				s := t * c
				for i := range n {
					x, y := a[i][p], a[i][q]
					a[i][p], a[i][q] = c*x-s*y, s*x+c*y
				}
				for i := range n {
					x, y, z, w := a[p][i], a[q][i], v[i][p], v[i][q]
					a[p][i], a[q][i] = c*x-s*y, s*x+c*y
					v[i][p], v[i][q] = c*z-s*w, s*z+c*w
				}
			}
		}
	}
}
