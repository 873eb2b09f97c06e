package main

import (
	"github.com/mmcloughlin/avo/build"
	"github.com/mmcloughlin/avo/operand"
	"github.com/mmcloughlin/avo/reg"
)

// lineNumbers are those of a Line of the solver's kernels.
const lineNumbers = 24

// addLines writes addLinesGo of the solver for both widths.
func addLines(c *build.Context) {
	addLinesOf(c, "addLinesAVX2", 4)
	addLinesOf(c, "addLinesAVX512", 8)
}

func addLinesOf(c *build.Context, name string, width int) {
	g := begin(c, name, name+" is addLinesGo, its factors byRow and byTerm bytes apart.",
		"func(to, by, from *float64, rows, terms, byRow, byTerm int)", width, 0, nil)
	a := g.all("to", "by", "from", "rows", "terms", "byRow", "byTerm")
	to, by, from, rows, terms, byRow, byTerm := a[0], a[1], a[2], a[3], a[4], a[5], a[6]
	factor, line, count := g.GP64(), g.GP64(), g.GP64()
	part := func(p reg.Register, k int) operand.Mem { return pointer(p).Offset(8 * width * k) }
	g.Label("row")
	var sums [lineNumbers / 4]reg.VecVirtual
	for k := range lineNumbers / width {
		sums[k] = g.load(part(to, k))
	}
	g.MOVQ(by, factor)
	g.MOVQ(from, line)
	g.MOVQ(terms, count)
	g.Label("term")
	f := g.every(pointer(factor))
	for k := range lineNumbers / width {
		g.to(sums[k], f, part(line, k))
	}
	g.advance(factor, byTerm)
	g.ADDQ(operand.U32(8*lineNumbers), line)
	g.DECQ(count)
	g.JNZ(operand.LabelRef("term"))
	for k := range lineNumbers / width {
		g.store(sums[k], part(to, k))
	}
	g.advance(by, byRow)
	g.ADDQ(operand.U32(8*lineNumbers), to)
	g.DECQ(rows)
	g.JNZ(operand.LabelRef("row"))
	g.VZEROUPPER()
	g.RET()
}
