package main

import (
	"math"

	"github.com/mmcloughlin/avo/build"
	"github.com/mmcloughlin/avo/operand"
	"github.com/mmcloughlin/avo/reg"
)

// rectangleClose is the square of the distance from a side's line, over its length, up to
// which a point may be on the conductor: twice what fieldmodels counts as being on it.
const rectangleClose = 4e-18

// rectangle writes the four sides of fieldmodels.Rectangle, and the field alone: they are
// the lanes of one vector of four, so that there is nothing to gain from wider ones.
func rectangle(c *build.Context) {
	n := constants(c, "rectangle", rectangleClose, 0)
	half := math.Float64bits(0.5)
	toSides := places(c, "rectangleHalves", half|1<<63, half, half|1<<63, half)
	g := begin(c, "sidesAVX2", "sidesAVX2 is seeSidesGo; of points that may be on the conductor it says so, and no more.",
		"func(sides *float64, x, y, z, width, height float64) (close uint32)", 4, 0, n)
	s := g.Load(g.Param("sides"), g.GP64())
	at := func(vector int) operand.Mem { return pointer(s).Offset(32 * vector) } // as in sides
	f, r1, r2, across := g.sides(toSides)
	for i, v := range []reg.VecVirtual{f, r1, r2, across} {
		g.store(v, at(i))
	}
	g.VZEROUPPER()
	g.RET()

	g = begin(c, "rectangleFieldAVX2", "rectangleFieldAVX2 is the field of the sides by sidesAVX2, k being μ0/4π·turns.",
		"func(b *float64, x, y, z, width, height, k float64) (close uint32)", 4, 0, n)
	f, _, _, across = g.sides(toSides)
	f = g.mul(f, g.everyArgument("k"))
	// x and y: z·(F₊ − F₋). z: −Σ ±F·across, the plus for the first of two.
	differences := func(of reg.VecVirtual) reg.VecVirtual {
		upper, r := g.XMM(), g.XMM()
		g.VEXTRACTF128(operand.Imm(1), of, upper)
		g.VHSUBPD(upper, of.AsX(), r)
		return r
	}
	b := g.Load(g.Param("b"), g.GP64())
	xy, z := differences(f), differences(g.mul(f, across))
	g.VMULPD(g.everyArgument("z").AsX(), xy, xy)
	g.VMOVUPD(xy, pointer(b))
	upper := g.XMM()
	g.VXORPD(upper, upper, upper)
	g.VSUBPD(z, upper, z)
	g.VPERMILPD(operand.Imm(1), z, upper)
	g.VADDSD(upper, z, z)
	g.VMOVSD(z, pointer(b).Offset(16))
	g.VZEROUPPER()
	g.RET()
}

// sides measures the four sides of a rectangle with the function's arguments, and stores
// which of them have the point so close to their lines that it may be on the conductor.
func (g *vector) sides(toSides operand.Mem) (f, r1, r2, across reg.VecVirtual) {
	blend := func(a, b reg.VecVirtual, lanes uint64) reg.VecVirtual { // those lanes of b
		r := g.reg()
		g.VBLENDPD(operand.Imm(lanes), b, a, r)
		return r
	}
	permute := func(a reg.VecVirtual, order ...uint64) reg.VecVirtual {
		r := g.reg()
		g.VPERMPD(operand.Imm(order[0]|order[1]<<2|order[2]<<4|order[3]<<6), a, r)
		return r
	}
	const less, lessEqual = 0x11, 0x12
	width, height := g.everyArgument("width"), g.everyArgument("height")
	length := blend(height, width, 0b1100)
	across = blend(g.everyArgument("x"), g.everyArgument("y"), 0b1100) // x1 x2 y1 y2
	g.to(across, blend(width, height, 0b1100), toSides)
	s1, s2 := permute(across, 3, 3, 1, 1), permute(across, 2, 2, 0, 0)
	d2 := g.everyArgument("z")
	d2 = g.mul(d2, d2)
	g.to(d2, across, across)

	bits, limit := g.GP32(), g.mul(length, length)
	limit = g.mul(limit, g.number(rectangleClose))
	g.VCMPPD(operand.Imm(lessEqual), limit, d2, limit)
	g.VMOVMSKPD(limit, bits)
	g.Store(bits, g.ReturnIndex(0))

	// The corners (x1, y1), (x1, y2), (x2, y1), (x2, y2).
	y := permute(across, 2, 3, 2, 3)
	corner := permute(d2, 0, 0, 1, 1)
	g.to(corner, y, y)
	corner = g.sqrt(corner)
	r1, r2 = permute(corner, 1, 3, 2, 3), permute(corner, 0, 2, 0, 1)

	product := g.mul(r1, r2)
	dot := g.reg()
	g.move(d2, dot)
	g.to(dot, s1, s2)
	more, rest := g.add(product, dot), g.sub(product, dot)
	// F = (R1+R2)·L/(R1·R2·q): between the ends L/q is (R1·R2 − dot)/(L·D²).
	obtuse, numerator, denominator := g.reg(), g.reg(), g.reg()
	g.VCMPPD(operand.Imm(less), g.number(0), dot, obtuse)
	g.VBLENDVPD(obtuse, rest, length, numerator)
	g.VBLENDVPD(obtuse, g.mul(length, d2), more, denominator)
	return g.div(g.mul(g.add(r1, r2), numerator), g.mul(product, denominator)), r1, r2, across
}
