package main

import (
	"github.com/mmcloughlin/avo/build"
	"github.com/mmcloughlin/avo/operand"
	"github.com/mmcloughlin/avo/reg"
)

// extremes writes the loop over counts of multitone's Extremes for AVX2: it waits for
// memory.
func extremes(c *build.Context) {
	g := begin(c, "lanesAVX2", `lanesAVX2 takes n vectors of 16 counts, step bytes apart: the least and the greatest
of each place, and the sums of the even and of the odd ones.`,
		"func(l *int16, x *byte, n int, step uintptr)", 4, 0, nil)
	a := g.all("l", "x", "n", "step")
	l, x, left, step := a[0], a[1], a[2], a[3]
	vector := func() reg.VecVirtual {
		r := g.reg()
		g.VMOVDQU(pointer(x), r)
		return r
	}
	// Neighbours times 1 and 0, or 0 and 1, are the even places, or the odd ones.
	var choice, sums [2]reg.VecVirtual
	for i := range choice {
		choice[i], sums[i] = g.reg(), g.zero()
	}
	g.VPXOR(choice[0], choice[0], choice[0]) // else it seems in use from the function's start
	g.VPCMPEQW(choice[0], choice[0], choice[0])
	g.VPSRLD(operand.Imm(31), choice[0], choice[0])
	g.VPSLLD(operand.Imm(16), choice[0], choice[1])
	least, greatest := vector(), vector()
	g.Label("vector")
	v := vector()
	g.VPMINSW(v, least, least)
	g.VPMAXSW(v, greatest, greatest)
	for i := range choice {
		product := g.reg()
		g.VPMADDWD(v, choice[i], product)
		g.VPADDD(product, sums[i], sums[i])
	}
	g.advance(x, step)
	g.DECQ(left)
	g.JNZ(operand.LabelRef("vector"))
	for i, r := range []reg.VecVirtual{least, greatest, sums[0], sums[1]} {
		g.VMOVDQU(r, pointer(l).Offset(32*i))
	}
	g.VZEROUPPER()
	g.RET()
}
