package rigid

import "math"

// Factor is the Cholesky factor L of the 6×6 normal equations of a pose, as they
// are when many poses are eliminated from a joint adjustment. A direction that
// nothing fixes gets an infinite pivot: it does not move.
type Factor struct {
	l [6][6]float64 // lower, without the diagonal
	// Inverse is one over the diagonal; 0 where nothing fixes the direction.
	Inverse [6]float64
}

// Decompose factorises c (upper triangle), its diagonal raised by 1 + damping.
func (f *Factor) Decompose(c *[6][6]float64, damping float64) {
	for j := range 6 {
		d := c[j][j] * (1 + damping)
		floor := 1e-12 * d
		for k := range j {
			d -= f.l[j][k] * f.l[j][k]
		}
		inv := 0.0
		if d > floor {
			inv = 1 / math.Sqrt(d)
		}
		f.Inverse[j] = inv
		for i := j + 1; i < 6; i++ {
			v := c[j][i]
			for k := range j {
				v -= f.l[i][k] * f.l[j][k]
			}
			f.l[i][j] = v * inv
		}
	}
}

// Forward writes L⁻¹·b into b.
func (f *Factor) Forward(b *[6]float64) {
	l, inv := &f.l, &f.Inverse
	b0 := b[0] * inv[0]
	b1 := (b[1] - l[1][0]*b0) * inv[1]
	b2 := (b[2] - l[2][0]*b0 - l[2][1]*b1) * inv[2]
	b3 := (b[3] - l[3][0]*b0 - l[3][1]*b1 - l[3][2]*b2) * inv[3]
	b4 := (b[4] - l[4][0]*b0 - l[4][1]*b1 - l[4][2]*b2 - l[4][3]*b3) * inv[4]
	b5 := (b[5] - l[5][0]*b0 - l[5][1]*b1 - l[5][2]*b2 - l[5][3]*b3 - l[5][4]*b4) * inv[5]
	*b = [6]float64{b0, b1, b2, b3, b4, b5}
}

// Solve writes (L·Lᵀ)⁻¹·b into b.
func (f *Factor) Solve(b *[6]float64) {
	f.Forward(b)
	for i := 5; i >= 0; i-- {
		v := b[i]
		for k := i + 1; k < 6; k++ {
			v -= f.l[k][i] * b[k]
		}
		b[i] = v * f.Inverse[i]
	}
}
