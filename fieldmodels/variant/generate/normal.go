package main

import (
	"fmt"

	"github.com/mmcloughlin/avo/build"
	"github.com/mmcloughlin/avo/operand"
	"github.com/mmcloughlin/avo/reg"
)

// normalColumns are those of a Row of the solver's kernels, of lanes numbers each; of
// these heldColumns are in registers at a time.
const (
	normalColumns = 7
	heldColumns   = 4
)

// normal writes normalGo of the solver for both widths.
func normal(c *build.Context) {
	normalOf(c, "normalAVX2", 4)
	normalOf(c, "normalAVX512", 8)
}

// normalOf sweeps over the rows as often as the sums of products need, for want of
// registers.
func normalOf(c *build.Context, name string, width int) {
	g := begin(c, name, name+" is normalGo for n rows.", "func(sum, rows *float64, n int)", width, 0, nil)
	a := g.all("sum", "rows", "n")
	sum, rows, n := a[0], a[1], a[2]
	var products [][2]int
	for i := range normalColumns {
		for j := i; j < normalColumns; j++ {
			products = append(products, [2]int{i, j})
		}
	}
	most := g.registers() - heldColumns // sums at a time
	for from := 0; from < len(products); from += most {
		sums := g.sweep(products[from:min(from+most, len(products))], rows, n, from)
		for at := 0; at < len(sums); at += width {
			some := sums[at:min(at+width, len(sums))]
			r := g.laneSums(some)
			m := pointer(sum).Offset(8 * (from + at))
			if len(some) < width {
				g.VMOVUPD(r.AsY(), m)
			} else {
				g.store(r, m)
			}
		}
	}
	g.VZEROUPPER()
	g.RET()
}

// sweep sums products of columns over n rows, lane by lane.
func (g *vector) sweep(products [][2]int, rows, n reg.GPVirtual, id int) []reg.VecVirtual {
	label := func(name string) string { return fmt.Sprint(name, id) }
	sums := make([]reg.VecVirtual, len(products))
	for i := range sums {
		sums[i] = g.zero()
	}
	row, left, part := g.GP64(), g.GP64(), g.GP64()
	g.MOVQ(rows, row)
	g.MOVQ(n, left)
	parts := lanes / g.width
	g.Label(label("row"))
	if parts > 1 {
		g.MOVQ(operand.U32(uint32(parts)), part)
		g.Label(label("part"))
	}
	column := func(k int) operand.Mem { return pointer(row).Offset(8 * lanes * k) }
	// A column takes the register of one that no product needs any more.
	held := map[int]reg.VecVirtual{}
	next := products[0][0]
	for ; len(held) < heldColumns && next < normalColumns; next++ {
		held[next] = g.load(column(next))
	}
	for i, p := range products {
		if i > 0 && products[i-1][0] < p[0] && next < normalColumns {
			held[next] = held[p[0]-1]
			g.VMOVUPD(column(next), held[next])
			next++
		}
		if r, ok := held[p[1]]; ok {
			g.to(sums[i], held[p[0]], r)
		} else {
			g.to(sums[i], held[p[0]], column(p[1]))
		}
	}
	rest := uint32(8 * lanes * normalColumns)
	if parts > 1 {
		g.ADDQ(operand.U32(uint32(8*g.width)), row)
		g.DECQ(part)
		g.JNZ(operand.LabelRef(label("part")))
		rest -= 8 * lanes
	}
	g.ADDQ(operand.U32(rest), row)
	g.DECQ(left)
	g.JNZ(operand.LabelRef(label("row")))
	return sums
}

// laneSums is each vector's sum of lanes, in order, of as many vectors as one has lanes,
// or of half of them: then they are there twice.
//
// Two vectors a and b become one of sums by halves: what one keeps in place of a, it
// takes across of b, so that a blend and a single shuffle do.
func (g *vector) laneSums(all []reg.VecVirtual) reg.VecVirtual {
	kept, moved := g.reg(), g.reg()
	if g.width == 4 {
		neighbours := func(a, b reg.VecVirtual) reg.VecVirtual {
			g.VBLENDPD(operand.Imm(0b1010), b, a, kept)
			g.VSHUFPD(operand.Imm(0b0101), b, a, moved)
			g.VADDPD(moved, kept, a)
			return a
		}
		low, high := neighbours(all[0], all[1]), neighbours(all[2], all[3])
		g.VPERM2F128(operand.Imm(0x21), high, low, moved)
		g.VBLENDPD(operand.Imm(0b1100), high, low, kept)
		return g.add(kept, moved)
	}
	upper, odd := g.blendMask(0xf0), g.blendMask(0xaa)
	halves := func(a, b reg.VecVirtual) reg.VecVirtual {
		g.VSHUFF64X2(operand.Imm(0x4e), b, a, moved)
		g.VBLENDMPD(b, a, upper, b)
		g.VADDPD(moved, b, a)
		return a
	}
	neighbours := func(a, b reg.VecVirtual) reg.VecVirtual {
		g.VSHUFPD(operand.Imm(0x55), b, a, moved)
		g.VBLENDMPD(b, a, odd, b)
		g.VADDPD(moved, b, a)
		return a
	}
	var four []reg.VecVirtual // a a b b a a b b of four sums, in pairs still to be added
	for i := 0; i < len(all); i += 4 {
		four = append(four, neighbours(halves(all[i], all[i+2]), halves(all[i+1], all[i+3])))
	}
	a, b := four[0], four[len(four)-1]
	g.VSHUFF64X2(operand.Imm(0x88), b, a, kept)
	g.VSHUFF64X2(operand.Imm(0xdd), b, a, moved)
	return g.add(kept, moved)
}

// blendMask is a mask of lanes.
func (g *vector) blendMask(lanes uint32) reg.OpmaskVirtual {
	bits, mask := g.GP32(), g.K()
	g.MOVL(operand.U32(lanes), bits)
	g.KMOVB(bits, mask)
	return mask
}
