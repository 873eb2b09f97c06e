package main

import (
	"github.com/mmcloughlin/avo/build"
	"github.com/mmcloughlin/avo/operand"
	"github.com/mmcloughlin/avo/reg"
)

// lineNumbers are those of a lines.Line.
const lineNumbers = 24

// addLines writes addGo of lines for both widths.
func addLines(c *build.Context) {
	addLinesOf(c, "addAVX2", 4)
	addLinesOf(c, "addAVX512", 8)
}

func addLinesOf(c *build.Context, name string, width int) {
	g := begin(c, name, name+" is addGo, its factors byRow and byTerm bytes apart.",
		"func(to, by, from *float64, rows, terms, byRow, byTerm int)", width, 0, nil)
	a := g.all("to", "by", "from", "rows", "terms", "byRow", "byTerm")
	to, by, from, rows, terms, byRow, byTerm := a[0], a[1], a[2], a[3], a[4], a[5], a[6]
	factor, line, count := g.GP64(), g.GP64(), g.GP64()
	part := func(p reg.Register, k int) operand.Mem { return pointer(p).Offset(8 * width * k) }
	second, secondFactor := g.GP64(), g.GP64()
	// rowsOf does so many rows at a time, two where there are: each waits for the other less.
	rowsOf := func(label string, many int) {
		at, factors := []reg.GPVirtual{to, second}[:many], []reg.GPVirtual{factor, secondFactor}[:many]
		g.MOVQ(by, factor)
		if many == 2 {
			g.LEAQ(operand.Mem{Base: to, Disp: 8 * lineNumbers}, second)
			g.LEAQ(operand.Mem{Base: by, Index: byRow, Scale: 1}, secondFactor)
		}
		var sums [2][lineNumbers / 4]reg.VecVirtual
		for r := range many {
			for k := range lineNumbers / width {
				sums[r][k] = g.load(part(at[r], k))
			}
		}
		g.MOVQ(from, line)
		g.MOVQ(terms, count)
		g.Label(label)
		var f [2]reg.VecVirtual
		for r := range many {
			f[r] = g.every(pointer(factors[r]))
		}
		for k := range lineNumbers / width {
			v := g.load(part(line, k))
			for r := range many {
				g.to(sums[r][k], f[r], v)
			}
		}
		for r := range many {
			g.advance(factors[r], byTerm)
		}
		g.ADDQ(operand.U32(8*lineNumbers), line)
		g.DECQ(count)
		g.JNZ(operand.LabelRef(label))
		for r := range many {
			for k := range lineNumbers / width {
				g.store(sums[r][k], part(at[r], k))
			}
			g.advance(by, byRow)
			g.ADDQ(operand.U32(8*lineNumbers), to)
		}
	}
	g.Label("rows")
	g.CMPQ(rows, operand.U8(2))
	g.JLT(operand.LabelRef("last"))
	rowsOf("twoTerms", 2)
	g.SUBQ(operand.U32(2), rows)
	g.JMP(operand.LabelRef("rows"))
	g.Label("last")
	g.TESTQ(rows, rows)
	g.JZ(operand.LabelRef("done"))
	rowsOf("oneTerm", 1)
	g.Label("done")
	g.VZEROUPPER()
	g.RET()
}
