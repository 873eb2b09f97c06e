package correction

import (
	"math"
	"sync"

	"gonum.org/v1/gonum/integrate/quad"
	"gonum.org/v1/gonum/spatial/r3"
)

// turning is what becomes of coefficients, degree by degree, when their field is turned from
// the axis z to a direction: a matrix of 2l+1 rows for each, row by row. It is orthogonal. Of
// no direction it leaves all as it is.
//
// About z, the parts of an order turn into each other. About y, what is y is brought to z,
// turned about it, and brought back.
func turning(to r3.Vec, degree int) [][]float64 {
	polar, azimuth := math.Atan2(math.Hypot(to.X, to.Y), to.Z), math.Atan2(to.Y, to.X)
	out := make([][]float64, degree+1)
	for l := 1; l <= degree; l++ {
		n, tip := 2*l+1, tipped()[l]
		about := append([]float64(nil), tip...)
		turnAbout(about, l, polar)
		out[l] = make([]float64, n*n)
		for j := range n {
			for i := range n {
				v := tip[j*n+i] // its transpose is its inverse
				for k, a := range about[j*n:][:n] {
					out[l][i*n+k] += v * a
				}
			}
		}
		turnAbout(out[l], l, azimuth)
	}
	return out
}

// turnAbout turns the rows of a matrix, coefficients of degree l, about z.
func turnAbout(a []float64, l int, angle float64) {
	n := 2*l + 1
	for m := 1; m <= l; m++ {
		sin, cos := math.Sincos(float64(m) * angle)
		c, s := a[(2*m-1)*n:][:n], a[2*m*n:][:n]
		for k := range n {
			c[k], s[k] = cos*c[k]-sin*s[k], sin*c[k]+cos*s[k]
		}
	}
}

// tipped is what becomes of coefficients of each degree when y is turned to z about x: the
// products, averaged over the unit sphere, of the harmonics with those turned back. The
// mean square of one is 1/(l(2l+1)), see norms.
var tipped = sync.OnceValue(func() [][]float64 {
	out := make([][]float64, MaxDegree+1)
	for l := range out {
		out[l] = make([]float64, (2*l+1)*(2*l+1))
	}
	// Exact for the products of two degrees.
	const rings, around = MaxDegree + 1, 2*MaxDegree + 1
	var cosines, shares [rings]float64
	quad.Legendre{}.FixedLocations(cosines[:], shares[:], -1, 1)
	var here, there [2*MaxDegree + 1]float64
	for i, z := range cosines {
		rho := math.Sqrt(1 - z*z)
		for k := range around {
			sin, cos := math.Sincos(2 * math.Pi * float64(k) / around)
			var at, before table
			at.fill(r3.Vec{X: rho * cos, Y: rho * sin, Z: z}, MaxDegree)
			before.fill(r3.Vec{X: rho * cos, Y: z, Z: -rho * sin}, MaxDegree)
			for l := 1; l <= MaxDegree; l++ {
				at.values(l, &here)
				before.values(l, &there)
				n, share := 2*l+1, shares[i]/2/around*float64(l*(2*l+1))
				for j := range n {
					for k := range n {
						out[l][j*n+k] += share * here[j] * there[k]
					}
				}
			}
		}
	}
	return out
})

// values are the harmonics of degree l.
func (t *table) values(l int, out *[2*MaxDegree + 1]float64) {
	for m := 0; m <= l; m++ {
		v := t[index(l, m)]
		k := max(0, 2*m-1)
		out[k] = norms[l][m] * real(v)
		if m > 0 {
			out[k+1] = norms[l][m] * imag(v)
		}
	}
}
