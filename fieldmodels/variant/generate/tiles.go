package main

import (
	"fmt"

	"github.com/mmcloughlin/avo/build"
	"github.com/mmcloughlin/avo/operand"
	"github.com/mmcloughlin/avo/reg"
)

// Products that follow each other in float32, and rows that lie side by side, as in
// multitone's kernels.
const (
	chainPlaces = 32
	groupRows   = 8
)

// tiles writes sums of products in float32 for AVX2, for so many channels of a group of
// rows.
func tiles(c *build.Context) {
	for _, channels := range []int{6, 4, 2} {
		singles(c, fmt.Sprintf("tile%df32AVX2", channels), channels)
	}
}

func singles(c *build.Context, name string, channels int) {
	const rowsBytes = groupRows * 8 // of a place in the table, even and odd numbers
	g := begin(c, name, fmt.Sprintf(`%s adds the products of n places, an even number, for %d channels of a group of
rows to the sums; places of the fold are foldStep bytes apart. Chains of up to %d places
are joined in float32.`, name, channels, chainPlaces),
		"func(sums *complex128, table, fold *float32, n int, foldStep, keep uintptr)", 4, 2*channels, nil)
	a := g.all("sums", "table", "fold", "n", "foldStep")
	sums, table, fold, left, foldStep := a[0], a[1], a[2], a[3], a[4]
	count, most := g.GP64(), g.GP64()
	// Two vectors of a channel: even and odd sums of four rows each.
	var joined []operand.Mem
	var y []reg.VecVirtual
	for i := range 2 * channels {
		joined, y = append(joined, g.slot()), append(y, g.reg())
		g.VXORPS(y[i], y[i], y[i])
		g.store(y[i], joined[i])
	}
	g.Label("chain")
	g.MOVQ(left, count)
	g.MOVQ(operand.U32(chainPlaces), most)
	g.CMPQ(count, most)
	g.CMOVQGT(most, count)
	g.SUBQ(count, left)
	for i := range y {
		g.VXORPS(y[i], y[i], y[i])
	}
	g.Label("place")
	for place := range 2 {
		var rows [2]reg.VecVirtual
		for k := range rows {
			rows[k] = g.reg()
			g.VMOVUPS(pointer(table).Offset(rowsBytes*place+32*k), rows[k])
		}
		for ch := range channels {
			both := g.every(pointer(fold).Offset(8 * ch)) // sum and difference
			for k := range rows {
				g.VFMADD231PS(rows[k], both, y[2*ch+k])
			}
		}
		g.advance(fold, foldStep)
	}
	g.ADDQ(operand.U32(2*rowsBytes), table)
	g.SUBQ(operand.U32(2), count)
	g.JNZ(operand.LabelRef("place"))
	for i := range y {
		g.VADDPS(joined[i], y[i], y[i])
		g.store(y[i], joined[i])
	}
	g.TESTQ(left, left)
	g.JNZ(operand.LabelRef("chain"))
	for i := range y {
		upper, low, high := g.XMM(), g.reg(), g.reg()
		g.VEXTRACTF128(operand.Imm(1), y[i], upper)
		g.VCVTPS2PD(y[i].AsX(), low)
		g.VCVTPS2PD(upper, high)
		for half, v := range []reg.VecVirtual{low, high} {
			m := pointer(sums).Offset(64*i + 32*half)
			g.store(g.add(v, m), m)
		}
	}
	g.VZEROUPPER()
	g.RET()
}
