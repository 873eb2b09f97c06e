package main

import (
	"math"

	"github.com/mmcloughlin/avo/build"
	"github.com/mmcloughlin/avo/operand"
	"github.com/mmcloughlin/avo/reg"
)

// scan writes leastGo and belowGo of the solver for AVX2: they wait for memory.
func scan(c *build.Context) {
	n := constants(c, "scan", math.Inf(1))
	least(c, n)
	below(c)
}

func least(c *build.Context, n numbers) {
	const width = 4
	g := begin(c, "leastAVX2", "leastAVX2 is leastGo for n vectors of eight.", "func(scores *float64, n int) float64", width, 0, n)
	a := g.all("scores", "n")
	scores, left := a[0], a[1]
	var low [lanes / width]reg.VecVirtual
	for i := range low {
		low[i] = g.load(g.number(math.Inf(1)))
	}
	g.Label("block")
	for i := range low {
		// Of a NaN and a number the second source is the minimum, which is low.
		g.VMINPD(low[i], g.load(pointer(scores).Offset(8*width*i)), low[i])
	}
	g.ADDQ(operand.U32(8*lanes), scores)
	g.DECQ(left)
	g.JNZ(operand.LabelRef("block"))
	g.VMINPD(low[0], low[1], low[0])
	upper := g.XMM()
	g.VEXTRACTF128(operand.Imm(1), low[0], upper)
	g.VMINPD(low[0].AsX(), upper, upper)
	second := g.XMM()
	g.VPERMILPD(operand.Imm(1), upper, second)
	g.VMINSD(upper, second, upper)
	m, err := g.ReturnIndex(0).Resolve()
	if err != nil {
		panic(err)
	}
	g.VMOVSD(upper, m.Addr)
	g.VZEROUPPER()
	g.RET()
}

func below(c *build.Context) {
	const width, lessOrEqual = 4, 18 // LE_OQ: false for NaN
	g := begin(c, "belowAVX2", "belowAVX2 is belowGo for n vectors of eight.", "func(masks *uint8, scores *float64, n int, limit float64)", width, 0, nil)
	a := g.all("masks", "scores", "n")
	masks, scores, left := a[0], a[1], a[2]
	m, err := g.Param("limit").Resolve()
	if err != nil {
		panic(err)
	}
	limit := g.every(m.Addr)
	g.Label("block")
	var bits [lanes / width]reg.GPVirtual
	for i := range bits {
		r := g.load(pointer(scores).Offset(8 * width * i))
		g.VCMPPD(operand.Imm(lessOrEqual), limit, r, r)
		bits[i] = g.GP64()
		g.VMOVMSKPD(r, bits[i].As32())
	}
	g.SHLQ(operand.Imm(width), bits[1])
	g.ORQ(bits[1], bits[0])
	g.MOVB(bits[0].As8(), pointer(masks))
	g.INCQ(masks)
	g.ADDQ(operand.U32(8*lanes), scores)
	g.DECQ(left)
	g.JNZ(operand.LabelRef("block"))
	g.VZEROUPPER()
	g.RET()
}
