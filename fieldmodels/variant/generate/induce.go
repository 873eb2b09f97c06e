package main

import (
	"math"

	"github.com/mmcloughlin/avo/build"
	"github.com/mmcloughlin/avo/operand"
	"github.com/mmcloughlin/avo/reg"
)

// induce writes induceGo and rotateGo of multitone for both widths.
func induce(c *build.Context) {
	count := c.StaticGlobal("induceCount")
	c.DataAttributes(build.RODATA | build.NOPTR)
	for k := range lanes {
		c.AddDatum(8*k, operand.U64(math.Float64bits(float64(k))))
	}
	n := constants(c, "induce", 4, 8)
	induceOf(c, "induceAVX2", 4, count, n)
	induceOf(c, "induceAVX512", 8, count, n)
	rotateOf(c, "rotateAVX2", 4)
	rotateOf(c, "rotateAVX512", 8)
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
	u, step := g.everyArgument("u"), g.everyArgument("step")
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

func rotateOf(c *build.Context, name string, width int) {
	g := begin(c, name, name+" is rotateGo for n samples, full vectors of them; z = x + jy.",
		"func(re, im, dre, dim, c, s *float64, n int, x, y, omega float64)", width, 0, nil)
	a := g.all("re", "im", "dre", "dim", "c", "s", "n")
	re, im, dre, dim, cos, sin, left := a[0], a[1], a[2], a[3], a[4], a[5], a[6]
	x, y, omega := g.everyArgument("x"), g.everyArgument("y"), g.everyArgument("omega")
	against := g.sub(g.zero(), omega)
	g.Label("samples")
	c1, s1 := g.load(pointer(cos)), g.load(pointer(sin))
	real, imag := g.mul(x, c1), g.mul(x, s1)
	g.less(real, y, s1)
	g.to(imag, y, c1)
	g.store(real, pointer(re))
	g.store(imag, pointer(im))
	g.store(g.mul(imag, against), pointer(dre))
	g.store(g.mul(real, omega), pointer(dim))
	for _, p := range []reg.Register{re, im, dre, dim, cos, sin} {
		g.ADDQ(operand.U32(8*width), p)
	}
	g.SUBQ(operand.U32(width), left)
	g.JNZ(operand.LabelRef("samples"))
	g.VZEROUPPER()
	g.RET()
}
