package kernel

// Pose is position x, y, z [m] and unit quaternion w, x, y, z in every lane.
type Pose [7]Vec

// FactorVec is a Factor in every lane.
type FactorVec [21]Vec

// Newton is what SolveMany finds in every lane: the Gauss–Newton step, its
// product with the negative gradient, and the factorisation. Bit l of Sound
// tells that lane l's pivots are all above minPivot times their diagonal.
type Newton struct {
	Step   [6]Vec
	Slope  Vec
	Factor FactorVec
	Sound  uint64
}

// AdvanceMany moves every lane's pose by step, q' = exp(δ/2)·q, and writes the
// points, given as axis times AreaTurns and arm in the sensor's frame, into
// coils. It holds for |δ| up to 0.7 rad: the series of sine and cosine stop
// where the next term is below 1e-16.
func AdvanceMany(pose *Pose, step *[6]Vec, points [][6]float64, coils []Coil) {
	if len(points) == 0 {
		return
	}
	advanceMany(pose, step, points, coils[:len(points)])
}

// SolveMany solves every lane's normal equations. With scale > 0 it adds
// scale·(H_δxδx + H_δyδy + H_δzδz)·a·aᵀ to the rotation block, a the axis in
// coil[3:6]; see Factor.Decompose.
func SolveMany(n *Newton, sum *SumVec, coil *Coil, scale float64) { solveMany(n, sum, coil, scale) }

// MinPivot is the smallest pivot over its diagonal that counts as sound.
const MinPivot = 1e-12

// Series of cos h and of sin h/(2h) in h².
var (
	cosine = [8]float64{1, -1. / 2, 1. / 24, -1. / 720, 1. / 40320, -1. / 3628800, 1. / 479001600, -1. / 87178291200}
	sine   = [8]float64{1. / 2, -1. / 12, 1. / 240, -1. / 10080, 1. / 725760, -1. / 79833600, 1. / 12454041600, -1. / 2615348736000}
)

func advanceManyGo(pose *Pose, step *[6]Vec, points [][6]float64, coils []Coil) {
	for l := range Lanes {
		dx, dy, dz := step[3][l], step[4][l], step[5][l]
		h2 := (dx*dx + dy*dy + dz*dz) / 4
		c, s := cosine[7], sine[7]
		for k := 6; k >= 0; k-- {
			c, s = c*h2+cosine[k], s*h2+sine[k]
		}
		ex, ey, ez := s*dx, s*dy, s*dz
		w, x, y, z := pose[3][l], pose[4][l], pose[5][l], pose[6][l]
		w, x, y, z = c*w-ex*x-ey*y-ez*z, c*x+ex*w+ey*z-ez*y, c*y+ey*w+ez*x-ex*z, c*z+ez*w+ex*y-ey*x
		n := 1.5 - 0.5*(w*w+x*x+y*y+z*z)
		w, x, y, z = w*n, x*n, y*n, z*n
		pose[3][l], pose[4][l], pose[5][l], pose[6][l] = w, x, y, z
		var p [3]float64
		for i := range p {
			p[i] = pose[i][l] + step[i][l]
			pose[i][l] = p[i]
		}
		x2, y2, z2 := x+x, y+y, z+z
		r := [9]float64{
			1 - y*y2 - z*z2, x*y2 - w*z2, x*z2 + w*y2,
			x*y2 + w*z2, 1 - x*x2 - z*z2, y*z2 - w*x2,
			x*z2 - w*y2, y*z2 + w*x2, 1 - x*x2 - y*y2,
		}
		for k := range points {
			q, co := &points[k], &coils[k]
			for i := range 3 {
				a := r[3*i]*q[3] + r[3*i+1]*q[4] + r[3*i+2]*q[5]
				co[i][l] = p[i] + a
				co[3+i][l] = r[3*i]*q[0] + r[3*i+1]*q[1] + r[3*i+2]*q[2]
				co[6+i][l] = a
			}
		}
	}
}

func solveManyGo(n *Newton, sum *SumVec, coil *Coil, scale float64) {
	n.Sound = 0
	for l := range Lanes {
		var one Sum
		for k := range sum {
			one[k] = sum[k][l]
		}
		u := [3]float64{coil[3][l], coil[4][l], coil[5][l]}
		var f Factor
		low := f.Decompose(&one, 0, scale*(one[18]+one[22]+one[25]), &u)
		if low > MinPivot {
			n.Sound |= 1 << l
		}
		var b, x [6]float64
		for i := range b {
			b[i] = -one[At(i, 6)]
		}
		f.Solve(&x, &b)
		n.Slope[l] = 0
		for i := range x {
			n.Step[i][l] = x[i]
			n.Slope[l] += x[i] * b[i]
		}
		for k := range f {
			n.Factor[k][l] = f[k]
		}
	}
}
