package main

import (
	"github.com/mmcloughlin/avo/build"
	"github.com/mmcloughlin/avo/operand"
	"github.com/mmcloughlin/avo/reg"
)

// machine writes loops that do one thing as fast as the processor can, for varianttest:
// what kernels are measured against.
func machine(c *build.Context) {
	n := constants(c, "machine", 1.3, 1.7)
	for _, level := range []struct {
		name  string
		width int
	}{{"AVX2", 4}, {"AVX512", 8}} {
		repeat := func(kind, doc string, independent int, do func(g *vector, r, x, y reg.VecVirtual)) {
			g := begin(c, kind+level.name, kind+level.name+" "+doc+", rounds times.", "func(rounds int)", level.width, 0, n)
			rounds := g.Load(g.Param("rounds"), g.GP64())
			x, y := g.load(g.number(1.3)), g.load(g.number(1.7))
			var all []reg.VecVirtual
			for range independent {
				r := g.reg()
				g.VXORPD(r, r, r)
				all = append(all, r)
			}
			g.Label("round")
			for _, r := range all {
				do(g, r, x, y)
			}
			g.DECQ(rounds)
			g.JNZ(operand.LabelRef("round"))
			g.VZEROUPPER()
			g.RET()
		}
		repeat("singles", "adds 12 products of vectors in float32", 12, func(g *vector, r, x, y reg.VecVirtual) { g.VFMADD231PS(x, y, r) })
		repeat("doubles", "adds 12 products of vectors in float64", 12, func(g *vector, r, x, y reg.VecVirtual) { g.VFMADD231PD(x, y, r) })
		repeat("chain", "adds a product in float64 to one that waits for it", 1, func(g *vector, r, x, y reg.VecVirtual) { g.VFMADD231PD(x, y, r) })
		repeat("quotients", "divides 8 vectors in float64", 8, func(g *vector, r, x, y reg.VecVirtual) { g.VDIVPD(x, y, r) })
		repeat("roots", "takes roots of 8 vectors in float64", 8, func(g *vector, r, x, y reg.VecVirtual) { g.VSQRTPD(x, r) })

		g := begin(c, "read"+level.name, "read"+level.name+" reads n blocks of 512 bytes.", "func(p *byte, n int)", level.width, 0, n)
		a := g.all("p", "n")
		p, left := a[0], a[1]
		var sums [4]reg.VecVirtual
		for i := range sums {
			sums[i] = g.reg()
			g.VXORPD(sums[i], sums[i], sums[i])
		}
		g.Label("block")
		for at := 0; at < 512; at += 8 * level.width {
			s := sums[at/(8*level.width)%len(sums)]
			g.VPADDQ(pointer(p).Offset(at), s, s)
		}
		g.ADDQ(operand.U32(512), p)
		g.DECQ(left)
		g.JNZ(operand.LabelRef("block"))
		g.VZEROUPPER()
		g.RET()
	}
}
