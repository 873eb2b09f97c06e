package kernel

import "tonepose/fieldmodels/variant"

// Induce adds to dst what a coupling that changes makes of a current and its rate:
//
//	d(M·I)/dt = M·dI/dt + dM/dt·I,  M = m₀ + m₁·x + m₂·x² + m₃·x³,  x = u + step·sample
//
// of which re is I and dre is dI/dt, each at least as long as dst.
func Induce(dst, re, dre []float64, m [4]float64, u, step float64) {
	induce(dst, re[:len(dst)], dre[:len(dst)], m, u, step)
}

func induceGo(dst, re, dre []float64, m [4]float64, u, step float64) {
	induceFrom(0, dst, re, dre, m, u, step)
}

// induceFrom is induceGo from a sample on.
func induceFrom(first int, dst, re, dre []float64, m [4]float64, u, step float64) {
	twice, thrice := 2*m[2], 3*m[3]
	for n := first; n < len(dst); n++ {
		x := u + float64(n)*step
		dst[n] += (m[0]+x*(m[1]+x*(m[2]+x*m[3])))*dre[n] + (m[1]+x*(twice+x*thrice))*re[n]
	}
}

// Rotate makes a current of so many amperes and radians a second, and its rate:
//
//	I = z·(c + js),  dI/dt = jω·I
//
// re and im are I, dre and dim are dI/dt; all have the length of re.
func Rotate(re, im, dre, dim, c, s []float64, z complex128, omega float64) {
	n := len(re)
	rotate(re, im[:n], dre[:n], dim[:n], c[:n], s[:n], z, omega)
}

func rotateGo(re, im, dre, dim, c, s []float64, z complex128, omega float64) {
	rotateFrom(0, re, im, dre, dim, c, s, z, omega)
}

// rotateFrom is rotateGo from a sample on.
func rotateFrom(first int, re, im, dre, dim, c, s []float64, z complex128, omega float64) {
	for n := first; n < len(re); n++ {
		x, y := real(z)*c[n]-imag(z)*s[n], real(z)*s[n]+imag(z)*c[n]
		re[n], im[n], dre[n], dim[n] = x, y, -omega*y, omega*x
	}
}

var (
	induce       = induceGo
	induceKernel = variant.New("multitone.Induce", &induce)

	rotate       = rotateGo
	rotateKernel = variant.New("multitone.Rotate", &rotate)
)
