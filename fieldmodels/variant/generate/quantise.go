package main

import (
	"math"

	"github.com/mmcloughlin/avo/build"
	"github.com/mmcloughlin/avo/operand"
	"github.com/mmcloughlin/avo/reg"
)

// quantise writes quantiseGo of multitone for both widths, and countsGo, which stores wait
// for, for AVX2.
func quantise(c *build.Context) {
	n := constants(c, "quantise", 1, math.MinInt16, math.MaxInt16)
	counts(c, n)
	quantiseOf(c, "quantiseAVX2", 4, n)
	quantiseOf(c, "quantiseAVX512", 8, n)
}

func quantiseOf(c *build.Context, name string, width int, n numbers) {
	g := begin(c, name, name+" is quantiseGo for n samples, full vectors of them, between the counts low and high.",
		"func(dst, v *float64, n int, unit, low, high, step float64) int", width, 0, n)
	a := g.all("dst", "v", "n")
	dst, v, left := a[0], a[1], a[2]
	unit, low, high, step := g.everyArgument("unit"), g.everyArgument("low"), g.everyArgument("high"), g.everyArgument("step")
	one, clipped := g.load(g.number(1)), g.zero()
	const (
		nearest   = 0x08 // ties to even, no exception
		ordered   = 0x07 // ORD_Q
		different = 0x0c // NEQ_OQ
	)
	g.Label("samples")
	x, within := g.div(g.load(pointer(v)), unit), g.reg()
	if width == 4 {
		number, over := g.reg(), g.reg()
		g.VCMPPD(operand.Imm(ordered), x, x, number)
		g.VROUNDPD(operand.Imm(nearest), x, x)
		g.VANDPD(x, number, x)
		g.VMAXPD(low, x, within)
		g.VMINPD(high, within, within)
		g.VCMPPD(operand.Imm(different), within, x, over)
		g.VANDPD(one, over, over)
		g.VADDPD(over, clipped, clipped)
	} else {
		number, over := g.K(), g.K()
		g.VCMPPD(operand.Imm(ordered), x, x, number)
		g.VRNDSCALEPD_Z(operand.Imm(nearest), x, number, x)
		g.VMAXPD(low, x, within)
		g.VMINPD(high, within, within)
		g.VCMPPD(operand.Imm(different), within, x, over)
		g.VADDPD(one, clipped, over, clipped)
	}
	g.store(g.mul(within, step), pointer(dst))
	for _, p := range []reg.Register{dst, v} {
		g.ADDQ(operand.U32(8*width), p)
	}
	g.SUBQ(operand.U32(width), left)
	g.JNZ(operand.LabelRef("samples"))
	count := g.GP64()
	g.VCVTTSD2SIQ(g.total(clipped), count)
	g.Store(count, g.ReturnIndex(0))
	g.VZEROUPPER()
	g.RET()
}

func counts(c *build.Context, n numbers) {
	g := begin(c, "countsAVX2", "countsAVX2 is countsGo for n samples, a multiple of eight.",
		"func(dst *byte, stride int, v *float64, n int, unit float64)", 4, 0, n)
	a := g.all("dst", "stride", "v", "n")
	dst, stride, v, left := a[0], a[1], a[2], a[3]
	unit := g.everyArgument("unit")
	low, high := g.load(g.number(math.MinInt16)), g.load(g.number(math.MaxInt16))
	g.Label("samples")
	for half := range 2 {
		x := g.div(g.load(pointer(v).Offset(32*half)), unit)
		g.VMAXPD(x, low, x) // what is no number stays so, and the conversion's low word is 0
		g.VMINPD(x, high, x)
		count := g.XMM()
		g.VCVTPD2DQY(x, count) // to the nearest, ties to even
		for i := range 4 {
			g.VPEXTRW(operand.Imm(uint64(2*i)), count, pointer(dst))
			g.ADDQ(stride, dst)
		}
	}
	g.ADDQ(operand.U32(64), v)
	g.SUBQ(operand.U32(8), left)
	g.JNZ(operand.LabelRef("samples"))
	g.VZEROUPPER()
	g.RET()
}
