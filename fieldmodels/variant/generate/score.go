package main

import (
	"fmt"

	"github.com/mmcloughlin/avo/build"
	"github.com/mmcloughlin/avo/operand"
	"github.com/mmcloughlin/avo/reg"
)

// score writes scoreGo of the solver for one coil and for three, for both widths.
func score(c *build.Context) {
	n := constants(c, "score", 1, 2)
	for _, coils := range []int{1, 3} {
		scoreOf(c, fmt.Sprintf("score%dAVX2", coils), 4, coils, 1, n)
		scoreOf(c, fmt.Sprintf("score%dAVX512", coils), 8, coils, coils, n)
	}
}

// inverse is 1/x: four at a time to rounding, eight by the 14-bit estimate and one
// Newton step.
func (g *vector) inverse(x reg.VecVirtual) reg.VecVirtual {
	if g.width == 4 {
		return g.div(g.load(g.number(1)), x)
	}
	estimate, rest := g.estimate(x)
	return g.mul(rest, estimate)
}

// over is a/x, as inverse.
func (g *vector) over(a, x reg.VecVirtual) reg.VecVirtual {
	if g.width == 4 {
		return g.div(a, x)
	}
	estimate, rest := g.estimate(x)
	return g.mul(g.mul(a, estimate), rest)
}

// estimate is nearly 1/x, and what a Newton step multiplies it by.
func (g *vector) estimate(x reg.VecVirtual) (estimate, rest reg.VecVirtual) {
	estimate = g.reg()
	g.VRCP14PD(x, estimate)
	rest = g.load(g.number(2))
	g.less(rest, x, estimate)
	return estimate, rest
}

// scoreOf writes one width: sums over the emitters, a 3×3 LDLᵀ, one solution a coil. The
// right-hand sides of together coils are summed with the matrix, those of the others in
// a second round, for want of registers.
func scoreOf(c *build.Context, name string, width, coils, together int, n numbers) {
	g := begin(c, name, fmt.Sprintf("%s is scoreGo for coils = %d.", name, coils),
		"func(scores, field, w, wy *float64, power float64, blocks, emitters int)", width, 0, n)
	a := g.all("scores", "field", "w", "wy", "blocks", "emitters")
	scores, field, weights, couplings, blocks, emitters := a[0], a[1], a[2], a[3], a[4], a[5]
	power, err := g.Param("power").Resolve()
	if err != nil {
		panic(err)
	}
	parts := lanes / width
	part, b, w, y, left := g.GP64(), g.GP64(), g.GP64(), g.GP64(), g.GP64()
	next := g.GP64() // from the end of a block's fields to where its next part begins
	if parts > 1 {
		g.IMUL3Q(operand.U32(3*vectorBytes), emitters, next)
	}
	zero := func() (r [3]reg.VecVirtual) {
		for k := range r {
			r[k] = g.zero()
		}
		return r
	}
	// emitter goes through the emitters' fields and couplings.
	emitter := func(label string, each func()) {
		g.MOVQ(field, b)
		g.MOVQ(couplings, y)
		g.MOVQ(emitters, left)
		g.Label(label)
		each()
		g.ADDQ(operand.U32(3*vectorBytes), b)
		g.ADDQ(operand.U32(uint32(8*coils)), y)
		g.DECQ(left)
		g.JNZ(operand.LabelRef(label))
	}

	g.Label("block")
	if parts > 1 {
		g.MOVQ(operand.U32(uint32(parts)), part)
	}
	g.Label("part")
	diagonal, beside := zero(), zero() // xx yy zz and xy xz yz
	right := make([][3]reg.VecVirtual, coils)
	for i := range together {
		right[i] = zero()
	}
	g.MOVQ(weights, w)
	emitter("emitter", func() {
		var f, weighed [3]reg.VecVirtual
		for k := range f {
			f[k] = g.load(pointer(b).Offset(vectorBytes * k))
		}
		weight := g.every(pointer(w))
		for k := range f {
			weighed[k] = g.mul(f[k], weight)
		}
		for k := range f {
			g.to(diagonal[k], weighed[k], f[k])
			for j := range k {
				g.to(beside[j+k-1], weighed[j], f[k])
			}
		}
		for i := range together {
			q := g.every(pointer(y).Offset(8 * i))
			for k := range f {
				g.to(right[i][k], q, f[k])
			}
		}
		g.ADDQ(operand.U32(8), w)
	})
	// N = L·D·Lᵀ: factors beside the diagonal, inverse pivots on it.
	ix := g.inverse(diagonal[0])
	lxy, lxz := g.mul(beside[0], ix), g.mul(beside[1], ix)
	g.less(diagonal[1], lxy, beside[0])
	g.less(beside[2], lxy, beside[1])
	g.less(diagonal[2], lxz, beside[1])
	iy := g.inverse(diagonal[1])
	lyz := g.mul(beside[2], iy)
	g.less(diagonal[2], lyz, beside[2])
	iz := g.inverse(diagonal[2])

	sum := g.every(power.Addr)
	coil := func(r [3]reg.VecVirtual) {
		ay, az := g.reg(), g.reg()
		g.move(r[1], ay)
		g.less(ay, lxy, r[0])
		g.move(r[2], az)
		g.less(az, lxz, r[0])
		g.less(az, lyz, ay)
		az = g.mul(az, iz)
		ay = g.mul(ay, iy)
		g.less(ay, lyz, az)
		ax := g.mul(r[0], ix)
		g.less(ax, lxy, ay)
		g.less(ax, lxz, az)
		g.less(sum, r[0], ax)
		g.less(sum, r[1], ay)
		g.less(sum, r[2], az)
		// 2·(|n|² − 1)/(|n|² + 1), squared.
		square := g.mul(ax, ax)
		g.to(square, ay, ay)
		g.to(square, az, az)
		one := g.load(g.number(1))
		ratio := g.over(g.sub(square, one), g.add(square, one))
		ratio = g.add(ratio, ratio)
		g.to(sum, ratio, ratio)
	}
	for i := range together {
		coil(right[i])
	}
	if together < coils {
		for i := together; i < coils; i++ {
			right[i] = zero()
		}
		emitter("again", func() {
			for i := together; i < coils; i++ {
				q := g.every(pointer(y).Offset(8 * i))
				for k := range 3 {
					g.to(right[i][k], q, pointer(b).Offset(vectorBytes*k))
				}
			}
		})
		for i := together; i < coils; i++ {
			coil(right[i])
		}
	}
	g.store(sum, pointer(scores))
	g.ADDQ(operand.U32(uint32(8*width)), scores)
	if parts > 1 {
		g.ADDQ(operand.U32(uint32(8*width)), field)
		g.DECQ(part)
		g.JNZ(operand.LabelRef("part"))
		g.ADDQ(next, field)
		g.SUBQ(operand.U32(vectorBytes), field)
	} else {
		g.MOVQ(b, field)
	}
	g.DECQ(blocks)
	g.JNZ(operand.LabelRef("block"))
	g.VZEROUPPER()
	g.RET()
}
