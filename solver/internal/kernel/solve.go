package kernel

import "gonum.org/v1/gonum/spatial/r3"

// Factor is the LDLᵀ factorisation of the 6×6 part of a Sum: the lower
// triangle row by row, L (of unit diagonal) below the diagonal, inverse pivots
// 1/D on it.
type Factor [21]float64

// Gauge fixes the rotation about Axis, a unit vector, where couplings leave it free:
// Weight times axis·axisᵀ is added to the rotation block. The zero value fixes none.
type Gauge struct {
	Axis   r3.Vec
	Weight float64
}

// Decompose factorises the normal matrix of sum with its diagonal times
// 1 + damping, and the gauge added. It returns the smallest
// ratio of a pivot to its diagonal entry, which is 1 minus the largest squared
// multiple correlation of a parameter with those before it, and 0 when the matrix is
// not positive definite or not of numbers.
//
// Scaling of the parameters does not change the relative accuracy of the
// factorisation (van der Sluis, Numerische Mathematik 14, 1969), so metres and
// radians need no common measure.
func (f *Factor) Decompose(sum *Sum, damping float64, gauge Gauge) float64 {
	e := 1 + damping
	a00, a10, a20, a30, a40, a50 := sum[0]*e, sum[1], sum[2], sum[3], sum[4], sum[5]
	a11, a21, a31, a41, a51 := sum[7]*e, sum[8], sum[9], sum[10], sum[11]
	a22, a32, a42, a52 := sum[13]*e, sum[14], sum[15], sum[16]
	a33, a43, a53 := sum[18]*e, sum[19], sum[20]
	a44, a54 := sum[22]*e, sum[23]
	a55 := sum[25] * e
	if gauge.Weight > 0 {
		u, g := gauge.Axis, r3.Scale(gauge.Weight, gauge.Axis)
		a33 += g.X * u.X
		a43 += g.X * u.Y
		a53 += g.X * u.Z
		a44 += g.Y * u.Y
		a54 += g.Y * u.Z
		a55 += g.Z * u.Z
	}
	d1, d2, d3, d4, d5 := a11, a22, a33, a44, a55

	// Columns two by two: the second pivot, a11 − a10²/a00, is (a00·a11 − a10²)/a00, and
	// its quotient need not wait for that of the first. Either way its error is a
	// rounding of a11.
	// Columns two by two: the second pivot, a11 − a10²/a00, is (a00·a11 − a10²)/a00, and its
	// quotient need not wait for that of the first. Its error is a rounding of a11 either way.
	i0, q0 := 1/a00, 1/(a00*a11-a10*a10)
	l10, l20, l30, l40, l50 := a10*i0, a20*i0, a30*i0, a40*i0, a50*i0
	i1 := a00 * q0
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

	i2, q2 := 1/a22, 1/(a22*a33-a32*a32)
	l32, l42, l52 := a32*i2, a42*i2, a52*i2
	i3 := a22 * q2
	a43 -= l42 * a32
	a53 -= l52 * a32
	a44 -= l42 * a42
	a54 -= l52 * a42
	a55 -= l52 * a52
	l43, l53 := a43*i3, a53*i3
	a44 -= l43 * a43
	a54 -= l53 * a43
	a55 -= l53 * a53

	i4, q4 := 1/a44, 1/(a44*a55-a54*a54)
	l54 := a54 * i4
	i5 := a44 * q4

	// One by one: an array put together elsewhere is copied in pieces larger than those
	// just stored, which the processor has to wait for.
	f[0] = i0
	f[1], f[2] = l10, i1
	f[3], f[4], f[5] = l20, l21, i2
	f[6], f[7], f[8], f[9] = l30, l31, l32, i3
	f[10], f[11], f[12], f[13], f[14] = l40, l41, l42, l43, i4
	f[15], f[16], f[17], f[18], f[19], f[20] = l50, l51, l52, l53, l54, i5
	// The inverses of the ratios; a NaN anywhere above reaches the first.
	r5, r4, r3, r2, r1 := d5*i5, d4*i4, d3*i3, d2*i2, d1*i1
	if !(r5 > 0 && r4 > 0 && r3 > 0 && r2 > 0 && r1 > 0 && a00 > 0) {
		return 0
	}
	if r4 > r5 {
		r5 = r4
	}
	if r3 > r5 {
		r5 = r3
	}
	if r2 > r5 {
		r5 = r2
	}
	if r1 > r5 {
		r5 = r1
	}
	return 1 / r5
}

// Solve writes the solution of the factorised system for right-hand side b to x.
func (f *Factor) Solve(x, b *[6]float64) {
	y0 := b[0]
	y1 := b[1] - f[1]*y0
	y2 := b[2] - f[3]*y0 - f[4]*y1
	y3 := b[3] - f[6]*y0 - f[7]*y1 - f[8]*y2
	y4 := b[4] - f[10]*y0 - f[11]*y1 - f[12]*y2 - f[13]*y3
	y5 := b[5] - f[15]*y0 - f[16]*y1 - f[17]*y2 - f[18]*y3 - f[19]*y4
	x5 := y5 * f[20]
	x4 := y4*f[14] - f[19]*x5
	x3 := y3*f[9] - f[18]*x5 - f[13]*x4
	x2 := y2*f[5] - f[17]*x5 - f[12]*x4 - f[8]*x3
	x1 := y1*f[2] - f[16]*x5 - f[11]*x4 - f[7]*x3 - f[4]*x2
	x0 := y0*f[0] - f[15]*x5 - f[10]*x4 - f[6]*x3 - f[3]*x2 - f[1]*x1
	x[0], x[1], x[2], x[3], x[4], x[5] = x0, x1, x2, x3, x4, x5
}

// Inverse writes the inverse of the factorised matrix, L⁻ᵀ D⁻¹ L⁻¹, to inv.
func (f *Factor) Inverse(inv *[6][6]float64) {
	// m = L⁻¹, of unit diagonal; n = D⁻¹ m.
	m10 := -f[1]
	m21 := -f[4]
	m20 := -f[3] - f[4]*m10
	m32 := -f[8]
	m31 := -f[7] - f[8]*m21
	m30 := -f[6] - f[7]*m10 - f[8]*m20
	m43 := -f[13]
	m42 := -f[12] - f[13]*m32
	m41 := -f[11] - f[12]*m21 - f[13]*m31
	m40 := -f[10] - f[11]*m10 - f[12]*m20 - f[13]*m30
	m54 := -f[19]
	m53 := -f[18] - f[19]*m43
	m52 := -f[17] - f[18]*m32 - f[19]*m42
	m51 := -f[16] - f[17]*m21 - f[18]*m31 - f[19]*m41
	m50 := -f[15] - f[16]*m10 - f[17]*m20 - f[18]*m30 - f[19]*m40
	n10 := m10 * f[2]
	n20 := m20 * f[5]
	n21 := m21 * f[5]
	n30 := m30 * f[9]
	n31 := m31 * f[9]
	n32 := m32 * f[9]
	n40 := m40 * f[14]
	n41 := m41 * f[14]
	n42 := m42 * f[14]
	n43 := m43 * f[14]
	n50 := m50 * f[20]
	n51 := m51 * f[20]
	n52 := m52 * f[20]
	n53 := m53 * f[20]
	n54 := m54 * f[20]
	v00 := f[0] + m10*n10 + m20*n20 + m30*n30 + m40*n40 + m50*n50
	v01 := n10 + m20*n21 + m30*n31 + m40*n41 + m50*n51
	v02 := n20 + m30*n32 + m40*n42 + m50*n52
	v03 := n30 + m40*n43 + m50*n53
	v04 := n40 + m50*n54
	v05 := n50
	v11 := f[2] + m21*n21 + m31*n31 + m41*n41 + m51*n51
	v12 := n21 + m31*n32 + m41*n42 + m51*n52
	v13 := n31 + m41*n43 + m51*n53
	v14 := n41 + m51*n54
	v15 := n51
	v22 := f[5] + m32*n32 + m42*n42 + m52*n52
	v23 := n32 + m42*n43 + m52*n53
	v24 := n42 + m52*n54
	v25 := n52
	v33 := f[9] + m43*n43 + m53*n53
	v34 := n43 + m53*n54
	v35 := n53
	v44 := f[14] + m54*n54
	v45 := n54
	v55 := f[20]
	inv[0][0], inv[0][1], inv[0][2], inv[0][3], inv[0][4], inv[0][5] = v00, v01, v02, v03, v04, v05
	inv[1][0], inv[1][1], inv[1][2], inv[1][3], inv[1][4], inv[1][5] = v01, v11, v12, v13, v14, v15
	inv[2][0], inv[2][1], inv[2][2], inv[2][3], inv[2][4], inv[2][5] = v02, v12, v22, v23, v24, v25
	inv[3][0], inv[3][1], inv[3][2], inv[3][3], inv[3][4], inv[3][5] = v03, v13, v23, v33, v34, v35
	inv[4][0], inv[4][1], inv[4][2], inv[4][3], inv[4][4], inv[4][5] = v04, v14, v24, v34, v44, v45
	inv[5][0], inv[5][1], inv[5][2], inv[5][3], inv[5][4], inv[5][5] = v05, v15, v25, v35, v45, v55
}
