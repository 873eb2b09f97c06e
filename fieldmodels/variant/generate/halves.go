package main

import (
	"github.com/mmcloughlin/avo/build"
	"github.com/mmcloughlin/avo/operand"
	"github.com/mmcloughlin/avo/reg"
)

// halves writes halvesGo of multitone for AVX2: a channel's two sums are one vector.
func halves(c *build.Context) {
	g := begin(c, "halvesAVX2", "halvesAVX2 is halvesGo.", "func(dst, first, last *complex128, scale *float64, channels int)", 4, 0, nil)
	a := g.all("dst", "first", "last", "scale", "channels")
	dst, first, last, scale, channels := a[0], a[1], a[2], a[3], a[4]
	g.Label("channel")
	x, y := g.load(pointer(first)), g.load(pointer(last))
	swappedX, swappedY := g.exchanged(x), g.exchanged(y)
	x = g.sub(x, swappedX)
	y = g.add(y, swappedY)
	x = g.add(x, y)
	// The real part of the first sum, the imaginary one of the second.
	upper, by := g.XMM(), g.XMM()
	g.VEXTRACTF128(operand.Imm(1), x, upper)
	g.VBLENDPD(operand.Imm(2), upper, x.AsX(), upper)
	g.VMOVDDUP(pointer(scale), by)
	g.VMULPD(by, upper, upper)
	g.VMOVUPD(upper, pointer(dst))
	for _, p := range []reg.GPVirtual{first, last} {
		g.ADDQ(operand.U32(groupBytes), p)
	}
	g.ADDQ(operand.U32(8), scale)
	g.ADDQ(operand.U32(16), dst)
	g.DECQ(channels)
	g.JNZ(operand.LabelRef("channel"))
	g.VZEROUPPER()
	g.RET()
}
