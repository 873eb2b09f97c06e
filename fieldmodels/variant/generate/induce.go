package main

import (
	"math"

	"github.com/mmcloughlin/avo/build"
	"github.com/mmcloughlin/avo/operand"
	"github.com/mmcloughlin/avo/reg"
)

// induce writes induceGo of multitone for both widths.
func induce(c *build.Context) {
	count := c.StaticGlobal("induceCount")
	c.DataAttributes(build.RODATA | build.NOPTR)
	for k := range lanes {
		c.AddDatum(8*k, operand.U64(math.Float64bits(float64(k))))
	}
	n := constants(c, "induce", 4, 8)
	induceOf(c, "induceAVX2", 4, count, n)
	induceOf(c, "induceAVX512", 8, count, n)
}

func induceOf(c *build.Context, name string, width int, count operand.Mem, n numbers) {
	g := begin(c, name, name+" is induceGo for n samples, full vectors of them.",
		"func(dst, re, dre *float64, n int, m *float64, u, step float64)", width, 0, n)
	a := g.all("dst", "re", "dre", "n", "m")
	dst, re, dre, left, m := a[0], a[1], a[2], a[3], a[4]
	var c4 [4]reg.VecVirtual
	for k := range c4 {
		c4[k] = g.every(pointer(m).Offset(8 * k))
	}
	twice, thrice := g.add(c4[2], c4[2]), g.add(c4[3], c4[3])
	thrice = g.add(thrice, c4[3])
	same := func(name string) reg.VecVirtual {
		one, all := g.XMM(), g.reg()
		g.Load(g.Param(name), one)
		g.VBROADCASTSD(one, all)
		return all
	}
	u, step := same("u"), same("step")
	at := g.load(count)
	g.Label("samples")
	x := g.mul(at, step)
	x = g.add(x, u)
	value, slope := g.mul(x, c4[3]), g.mul(x, thrice)
	value = g.add(value, c4[2])
	g.horner(value, x, c4[1])
	g.horner(value, x, c4[0])
	slope = g.add(slope, twice)
	g.horner(slope, x, c4[1])
	sum := g.load(pointer(dst))
	g.to(sum, value, pointer(dre))
	g.to(sum, slope, pointer(re))
	g.store(sum, pointer(dst))
	g.VADDPD(g.number(float64(width)), at, at)
	for _, p := range []reg.Register{dst, re, dre} {
		g.ADDQ(operand.U32(8*width), p)
	}
	g.SUBQ(operand.U32(width), left)
	g.JNZ(operand.LabelRef("samples"))
	g.VZEROUPPER()
	g.RET()
}
