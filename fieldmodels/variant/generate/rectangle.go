package main

import (
	"github.com/mmcloughlin/avo/build"
	"github.com/mmcloughlin/avo/operand"
	"github.com/mmcloughlin/avo/reg"
)

// rectangle writes the four sides of fieldmodels.Rectangle: they are the lanes of one
// vector of four, so that there is nothing to gain from wider ones.
func rectangle(c *build.Context) {
	const near = 1e-9
	n := constants(c, "rectangle", near, 0)
	g := begin(c, "sidesAVX2", `sidesAVX2 is seeSidesGo, but tells in bits on which sides the point lies.`,
		"func(sides *float64, z, width, height float64) (on uint32)", 4, 0, n)
	every := func(name string) reg.VecVirtual {
		m, err := g.Param(name).Resolve()
		if err != nil {
			panic(err)
		}
		return g.every(m.Addr)
	}
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
	compare := func(predicate uint64, a reg.VecVirtual, b operand.Op) reg.VecVirtual {
		r := g.reg()
		g.VCMPPD(operand.Imm(predicate), b, a, r)
		return r
	}
	both := func(a, b reg.VecVirtual) reg.VecVirtual { g.VANDPD(a, b, b); return b }
	either := func(a, b reg.VecVirtual) reg.VecVirtual { g.VORPD(a, b, b); return b }
	const less, lessEqual, greater = 0x11, 0x12, 0x1e

	sides := g.Load(g.Param("sides"), g.GP64())
	at := func(vector, number int) operand.Mem { return pointer(sides).Offset(32*vector + 8*number) } // as in sides
	x1, x2, y1, y2 := g.every(at(3, 0)), g.every(at(3, 1)), g.every(at(3, 2)), g.every(at(3, 3))
	length := blend(every("height"), every("width"), 0b1100)
	z := every("z")
	z2 := g.mul(z, z)
	s1, s2 := blend(y2, x2, 0b1100), blend(y1, x1, 0b1100)
	across := blend(blend(x1, x2, 0b0010), blend(y1, y2, 0b1000), 0b1100)
	d2 := g.reg()
	g.move(z2, d2)
	g.to(d2, across, across)
	// The corners (x1, y1), (x1, y2), (x2, y1), (x2, y2).
	y := blend(y1, y2, 0b1010)
	corner := permute(d2, 0, 0, 1, 1)
	g.to(corner, y, y)
	corner = g.sqrt(corner)
	r1, r2 := permute(corner, 1, 3, 2, 3), permute(corner, 0, 2, 0, 1)

	product := g.mul(r1, r2)
	dot := g.reg()
	g.move(d2, dot)
	g.to(dot, s1, s2)
	more, rest := g.add(product, dot), g.sub(product, dot)
	// F = (R1+R2)·L/(R1·R2·q): between the ends L/q is (R1·R2 − dot)/(L·D²).
	obtuse := compare(less, dot, g.number(0))
	numerator, denominator := g.reg(), g.reg()
	g.VBLENDVPD(obtuse, rest, length, numerator)
	g.VBLENDVPD(obtuse, g.mul(length, d2), more, denominator)
	f := g.div(g.mul(g.add(r1, r2), numerator), g.mul(product, denominator))
	for i, v := range []reg.VecVirtual{f, r1, r2} {
		g.store(v, at(i, 0))
	}

	limit := g.mul(length, g.number(near))
	on := both(compare(greater, s1, g.number(0)), compare(less, s2, g.number(0)))
	on = both(compare(lessEqual, d2, g.mul(limit, limit)), on)
	on = either(compare(lessEqual, r1, limit), on)
	on = either(compare(lessEqual, r2, limit), on)
	bits := g.GP32()
	g.VMOVMSKPD(on, bits)
	g.Store(bits, g.ReturnIndex(0))
	g.VZEROUPPER()
	g.RET()
}
