package kernel

// normWeight weighs the misfit of the length of a coil's axis against the
// misfit of the couplings in Score; the assembly has its square root, 2.
const normWeight = 4

// Score judges eight positions a step by how well the couplings of coils (one or
// three of them) can be reached there with any orientation. At a position with fields
// B_e, coil c's couplings y_ec are linear in its axis n_c; with weights w_e
//
//	N = Σ w_e B_e B_eᵀ,  b_c = Σ w_e y_ec B_e,  n_c = N⁻¹ b_c
//	score = power − Σ_c b_c·n_c + 4 Σ_c ((|n_c|² − 1)/(|n_c|² + 1))²
//
// the residual of the linear fit plus a misfit of the length of n_c, which is
// one when y is over the coil's area. power is Σ w_e y_ec², field holds x, y, z
// of emitter e at block i of positions in field[(i·E + e)·3:]; w has E entries, wy the
// weighted couplings w_e·y_ec at e·coils+c. Relative errors are up to 1e-7: it
// ranks positions.
func Score(scores, field []Vec, w, wy []float64, coils int, power float64) {
	e := len(w)
	if coils != 1 && coils != 3 || len(wy) < e*coils || len(field) < 3*e*len(scores) {
		panic("kernel: Score of other shapes than its arguments have")
	}
	if len(scores) == 0 || e == 0 {
		return
	}
	score(scores, field, w, wy, coils, power)
}

func scoreGo(scores, field []Vec, w, wy []float64, coils int, power float64) {
	var b [3][Lanes]float64
	for i := range scores {
		f := field[i*len(w)*3 : (i+1)*len(w)*3]
		var n [6]Vec
		for e, we := range w {
			x, y, z := &f[3*e], &f[3*e+1], &f[3*e+2]
			for l := range Lanes {
				wx, wy, wz := we*x[l], we*y[l], we*z[l]
				n[0][l] += wx * x[l]
				n[1][l] += wx * y[l]
				n[2][l] += wx * z[l]
				n[3][l] += wy * y[l]
				n[4][l] += wy * z[l]
				n[5][l] += wz * z[l]
			}
		}
		for l := range Lanes {
			i0 := 1 / n[0][l]
			n[1][l], n[2][l] = n[1][l]*i0, n[2][l]*i0
			n[4][l] -= n[1][l] * n[2][l] * n[0][l]
			n[5][l] -= n[2][l] * n[2][l] * n[0][l]
			n[3][l] = 1 / (n[3][l] - n[1][l]*n[1][l]*n[0][l])
			n[4][l] *= n[3][l]
			n[5][l] = 1 / (n[5][l] - n[4][l]*n[4][l]/n[3][l])
			n[0][l] = i0
		}
		s := &scores[i]
		for l := range Lanes {
			s[l] = power
		}
		for c := range coils {
			b = [3][Lanes]float64{}
			for e := range w {
				q := wy[e*coils+c]
				x, y, z := &f[3*e], &f[3*e+1], &f[3*e+2]
				for l := range Lanes {
					b[0][l] += q * x[l]
					b[1][l] += q * y[l]
					b[2][l] += q * z[l]
				}
			}
			for l := range Lanes {
				x, y, z := b[0][l], b[1][l], b[2][l]
				v1 := y - n[1][l]*x
				v2 := z - n[2][l]*x - n[4][l]*v1
				az := v2 * n[5][l]
				ay := v1*n[3][l] - n[4][l]*az
				ax := x*n[0][l] - n[1][l]*ay - n[2][l]*az
				s[l] -= x*ax + y*ay + z*az
				q := ax*ax + ay*ay + az*az
				d := (q - 1) / (q + 1)
				s[l] += normWeight * d * d
			}
		}
	}
}
