package main

import (
	"math"

	"github.com/mmcloughlin/avo/build"
	"github.com/mmcloughlin/avo/operand"
	"github.com/mmcloughlin/avo/reg"
)

// polynomial writes polynomialGo of multitone for both widths.
func polynomial(c *build.Context) {
	count := c.StaticGlobal("polynomialCount")
	c.DataAttributes(build.RODATA | build.NOPTR)
	for k := range lanes {
		c.AddDatum(8*k, operand.U64(math.Float64bits(float64(k))))
	}
	n := constants(c, "polynomial", lanes)
	polynomialOf(c, "polynomialAVX2", 4, count, n)
	polynomialOf(c, "polynomialAVX512", 8, count, n)
}

func polynomialOf(c *build.Context, name string, width int, count operand.Mem, n numbers) {
	g := begin(c, name, name+" is polynomialGo for n samples, a multiple of eight, and two terms or more.",
		"func(dst *float64, n int, c *float64, terms int, x, step float64)", width, 0, n)
	a := g.all("dst", "n", "c", "terms")
	dst, left, first, terms := a[0], a[1], a[2], a[3]
	x, step := g.everyArgument("x"), g.everyArgument("step")
	vectors := lanes / width
	at := make([]reg.VecVirtual, vectors)
	for k := range at {
		at[k] = g.load(count.Offset(8 * width * k))
	}
	g.LEAQ(operand.Mem{Base: first, Index: terms, Scale: 8, Disp: -16}, first) // the last term but one
	term, more := g.GP64(), g.GP64()
	g.Label("samples")
	place, value := make([]reg.VecVirtual, vectors), make([]reg.VecVirtual, vectors)
	for k := range at {
		place[k] = g.mul(at[k], step)
		place[k] = g.add(place[k], x)
		value[k] = g.every(pointer(first).Offset(8))
		g.VADDPD(g.number(lanes), at[k], at[k])
	}
	g.MOVQ(first, term)
	g.LEAQ(operand.Mem{Base: terms, Disp: -1}, more)
	g.Label("terms")
	next := g.every(pointer(term))
	for k := range at {
		g.horner(value[k], place[k], next)
	}
	g.SUBQ(operand.U32(8), term)
	g.DECQ(more)
	g.JNZ(operand.LabelRef("terms"))
	for k := range at {
		g.store(value[k], pointer(dst).Offset(8*width*k))
	}
	g.ADDQ(operand.U32(8*lanes), dst)
	g.SUBQ(operand.U32(lanes), left)
	g.JNZ(operand.LabelRef("samples"))
	g.VZEROUPPER()
	g.RET()
}
