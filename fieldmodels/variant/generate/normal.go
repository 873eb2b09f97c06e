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
func (g *vector) laneSums(all []reg.VecVirtual) reg.VecVirtual {
	low, high := g.reg(), g.reg()
	if g.width == 4 {
		a, b, c, d := all[0], all[1], all[2], all[3]
		g.VHADDPD(b, a, low)
		g.VHADDPD(d, c, high)
		middle := g.reg()
		g.VPERM2F128(operand.Imm(0x21), high, low, middle)
		g.VBLENDPD(operand.Imm(12), high, low, low)
		return g.add(low, middle)
	}
	// Neighbours, then neighbours of 128 bits, then of 256.
	var pairs, quads []reg.VecVirtual
	for i := 0; i < len(all); i += 2 {
		g.VUNPCKLPD(all[i+1], all[i], low)
		g.VUNPCKHPD(all[i+1], all[i], high)
		g.VADDPD(high, low, all[i])
		pairs = append(pairs, all[i])
	}
	join := func(a, b reg.VecVirtual) reg.VecVirtual {
		g.VSHUFF64X2(operand.Imm(0x88), b, a, low)
		g.VSHUFF64X2(operand.Imm(0xdd), b, a, high)
		g.VADDPD(high, low, a)
		return a
	}
	for i := 0; i < len(pairs); i += 2 {
		quads = append(quads, join(pairs[i], pairs[i+1]))
	}
	return join(quads[0], quads[len(quads)-1])
}
