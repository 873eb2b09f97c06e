package kernel

// Factor is the LDLᵀ factorisation of the 6×6 part of a Sum: unit lower
// triangle L below the diagonal, inverse pivots 1/D on it.
type Factor [6][6]float64

// Decompose factorises the normal matrix of sum with its diagonal times
// 1 + damping plus the gauge: gauge·u·uᵀ in the rotation block, which fixes the
// turn about u where the couplings leave it free. It returns the smallest
// ratio of a pivot to its diagonal entry, which is 1 minus the largest squared
// multiple correlation of a parameter with those before it, and is not
// positive (or is NaN) when the matrix is singular.
//
// Scaling of the parameters does not change the relative accuracy of the
// factorisation (van der Sluis, Numerische Mathematik 14, 1969), so metres and
// radians need no common measure.
func (f *Factor) Decompose(sum *Sum, damping, gauge float64, u *[3]float64) float64 {
	e := 1 + damping
	a00, a10, a20, a30, a40, a50 := sum[0]*e, sum[1], sum[2], sum[3], sum[4], sum[5]
	a11, a21, a31, a41, a51 := sum[7]*e, sum[8], sum[9], sum[10], sum[11]
	a22, a32, a42, a52 := sum[13]*e, sum[14], sum[15], sum[16]
	a33, a43, a53 := sum[18]*e, sum[19], sum[20]
	a44, a54 := sum[22]*e, sum[23]
	a55 := sum[25] * e
	if gauge > 0 {
		gx, gy, gz := gauge*u[0], gauge*u[1], gauge*u[2]
		a33 += gx * u[0]
		a43 += gx * u[1]
		a53 += gx * u[2]
		a44 += gy * u[1]
		a54 += gy * u[2]
		a55 += gz * u[2]
	}
	d1, d2, d3, d4, d5 := a11, a22, a33, a44, a55

	i0 := 1 / a00
	l10, l20, l30, l40, l50 := a10*i0, a20*i0, a30*i0, a40*i0, a50*i0
	a11 -= l10 * a10
	a21 -= l20 * a10
	a31 -= l30 * a10
	a41 -= l40 * a10
	a51 -= l50 * a10
	a22 -= l20 * a20
	a32 -= l30 * a20
	a42 -= l40 * a20
	a52 -= l50 * a20
	a33 -= l30 * a30
	a43 -= l40 * a30
	a53 -= l50 * a30
	a44 -= l40 * a40
	a54 -= l50 * a40
	a55 -= l50 * a50

	i1 := 1 / a11
	l21, l31, l41, l51 := a21*i1, a31*i1, a41*i1, a51*i1
	a22 -= l21 * a21
	a32 -= l31 * a21
	a42 -= l41 * a21
	a52 -= l51 * a21
	a33 -= l31 * a31
	a43 -= l41 * a31
	a53 -= l51 * a31
	a44 -= l41 * a41
	a54 -= l51 * a41
	a55 -= l51 * a51

	i2 := 1 / a22
	l32, l42, l52 := a32*i2, a42*i2, a52*i2
	a33 -= l32 * a32
	a43 -= l42 * a32
	a53 -= l52 * a32
	a44 -= l42 * a42
	a54 -= l52 * a42
	a55 -= l52 * a52

	i3 := 1 / a33
	l43, l53 := a43*i3, a53*i3
	a44 -= l43 * a43
	a54 -= l53 * a43
	a55 -= l53 * a53

	i4 := 1 / a44
	l54 := a54 * i4
	a55 -= l54 * a54
	i5 := 1 / a55

	*f = Factor{
		{i0},
		{l10, i1},
		{l20, l21, i2},
		{l30, l31, l32, i3},
		{l40, l41, l42, l43, i4},
		{l50, l51, l52, l53, l54, i5},
	}
	// A NaN anywhere above reaches a55.
	low := a55 / d5
	if r := a44 / d4; r < low {
		low = r
	}
	if r := a33 / d3; r < low {
		low = r
	}
	if r := a22 / d2; r < low {
		low = r
	}
	if r := a11 / d1; r < low {
		low = r
	}
	if !(a00 > 0) {
		return 0
	}
	return low
}

// Solve puts the solution of the factorised system for right-hand side b into x.
func (f *Factor) Solve(x, b *[6]float64) {
	y0 := b[0]
	y1 := b[1] - f[1][0]*y0
	y2 := b[2] - f[2][0]*y0 - f[2][1]*y1
	y3 := b[3] - f[3][0]*y0 - f[3][1]*y1 - f[3][2]*y2
	y4 := b[4] - f[4][0]*y0 - f[4][1]*y1 - f[4][2]*y2 - f[4][3]*y3
	y5 := b[5] - f[5][0]*y0 - f[5][1]*y1 - f[5][2]*y2 - f[5][3]*y3 - f[5][4]*y4
	x5 := y5 * f[5][5]
	x4 := y4*f[4][4] - f[5][4]*x5
	x3 := y3*f[3][3] - f[5][3]*x5 - f[4][3]*x4
	x2 := y2*f[2][2] - f[5][2]*x5 - f[4][2]*x4 - f[3][2]*x3
	x1 := y1*f[1][1] - f[5][1]*x5 - f[4][1]*x4 - f[3][1]*x3 - f[2][1]*x2
	x0 := y0*f[0][0] - f[5][0]*x5 - f[4][0]*x4 - f[3][0]*x3 - f[2][0]*x2 - f[1][0]*x1
	*x = [6]float64{x0, x1, x2, x3, x4, x5}
}

// Inverse puts the inverse of the factorised matrix into inv.
func (f *Factor) Inverse(inv *[6][6]float64) {
	// Rows of L⁻¹, a unit lower triangle; then inv = L⁻ᵀ D⁻¹ L⁻¹.
	var l [6][6]float64
	for i := range 6 {
		l[i][i] = 1
		for j := i - 1; j >= 0; j-- {
			s := 0.0
			for k := j; k < i; k++ {
				s -= f[i][k] * l[k][j]
			}
			l[i][j] = s
		}
	}
	for i := range 6 {
		for j := i; j < 6; j++ {
			s := 0.0
			for k := j; k < 6; k++ {
				s += l[k][i] * l[k][j] * f[k][k]
			}
			inv[i][j], inv[j][i] = s, s
		}
	}
}
