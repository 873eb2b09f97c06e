package main

import (
	"github.com/mmcloughlin/avo/build"
	"github.com/mmcloughlin/avo/operand"
	"github.com/mmcloughlin/avo/reg"
)

// fourier writes quartersGo of multitone's kernels for both widths.
func fourier(c *build.Context) {
	n := constants(c, "fourier", 1)
	quarters(c, "quartersAVX2", 4, n)
	quarters(c, "quartersAVX512", 8, n)
}

// rowBytes are of the four complex numbers that lie side by side.
const rowBytes = 8 * lanes

func quarters(c *build.Context, name string, width int, n numbers) {
	g := begin(c, name, name+" is quartersGo.", "func(to, from, turns *complex128, m, s int)", width, 0, n)
	a := g.all("to", "from", "turns", "m")
	to, from, turns, outer := a[0], a[1], a[2], a[3]
	inner, count := g.GP64(), g.GP64()
	quarter, quarter3, stride, stride3 := g.GP64(), g.GP64(), g.GP64(), g.GP64()
	g.Load(g.Param("s"), inner)
	g.MOVQ(inner, stride)
	g.SHLQ(operand.Imm(6), stride)
	g.LEAQ(operand.Mem{Base: stride, Index: stride, Scale: 2}, stride3)
	g.MOVQ(stride, quarter)
	g.IMULQ(outer, quarter)
	g.LEAQ(operand.Mem{Base: quarter, Index: quarter, Scale: 2}, quarter3)
	at := func(p, index reg.Register, scale uint8, part int) operand.Mem {
		return operand.Mem{Base: p, Index: index, Scale: scale}.Offset(8 * width * part)
	}

	g.Label("turn")
	var re, im [3]reg.VecVirtual
	for k := range re {
		re[k], im[k] = g.every(pointer(turns).Offset(16*k)), g.every(pointer(turns).Offset(16*k+8))
	}
	g.MOVQ(inner, count)
	g.Label("row")
	for part := range lanes / width {
		a, b := g.load(pointer(from).Offset(8*width*part)), g.load(at(from, quarter, 1, part))
		even, odd := g.add(a, at(from, quarter, 2, part)), g.sub(a, at(from, quarter, 2, part))
		evenB, oddB := g.add(b, at(from, quarter3, 1, part)), g.sub(b, at(from, quarter3, 1, part))
		g.store(g.add(even, evenB), pointer(to).Offset(8*width*part))
		g.store(g.turned(g.sub(even, evenB), re[1], im[1]), at(to, stride, 2, part))
		// odd − j·oddB and odd + j·oddB: VADDSUBPD is not there for the widest vectors.
		swapped := g.exchanged(oddB)
		first := g.reg()
		g.move(odd, first)
		g.VFMSUBADD132PD(g.number(1), swapped, first)
		g.VFMADDSUB132PD(g.number(1), swapped, odd)
		g.store(g.turned(first, re[0], im[0]), at(to, stride, 1, part))
		g.store(g.turned(odd, re[2], im[2]), at(to, stride3, 1, part))
	}
	g.ADDQ(operand.U32(rowBytes), from)
	g.ADDQ(operand.U32(rowBytes), to)
	g.DECQ(count)
	g.JNZ(operand.LabelRef("row"))
	g.ADDQ(stride3, to)
	g.ADDQ(operand.U32(48), turns)
	g.DECQ(outer)
	g.JNZ(operand.LabelRef("turn"))
	g.VZEROUPPER()
	g.RET()
}
