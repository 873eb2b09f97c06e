package main

import (
	"github.com/mmcloughlin/avo/build"
	"github.com/mmcloughlin/avo/operand"
	"github.com/mmcloughlin/avo/reg"
)

// basisRows go through the places together.
const basisRows = 4

// basis writes projectGo and combineGo of multitone for both widths.
func basis(c *build.Context) {
	projectOf(c, "projectAVX2", 4)
	combineOf(c, "combineAVX2", 4)
	projectOf(c, "projectAVX512", 8)
	combineOf(c, "combineAVX512", 8)
}

func projectOf(c *build.Context, name string, width int) {
	g := begin(c, name, name+" is projectGo for rows a multiple of 4 and places of 32.",
		"func(dst, table, x *float64, rows, places int)", width, 0, nil)
	a := g.all("dst", "table", "x", "rows", "places")
	dst, table, x, rows, places := a[0], a[1], a[2], a[3], a[4]
	const vectors = 2 // whose sums do not wait for each other
	stride := g.GP64()
	g.MOVQ(places, stride)
	g.SHLQ(operand.Imm(3), stride)
	at, from, left := g.GP64(), g.GP64(), g.GP64()
	third := g.GP64()
	g.Label("rows")
	g.MOVQ(table, at)
	g.LEAQ(operand.Mem{Base: table, Index: stride, Scale: 2}, third)
	g.MOVQ(x, from)
	g.MOVQ(places, left)
	var sums [basisRows][vectors]reg.VecVirtual
	for r := range sums {
		for k := range sums[r] {
			sums[r][k] = g.zero()
		}
	}
	g.Label("places")
	for k := range vectors {
		v := g.load(pointer(from).Offset(8 * width * k))
		for r := range sums {
			row := operand.Mem{Base: at, Disp: 8 * width * k}
			if r >= 2 {
				row.Base = third
			}
			if r%2 == 1 {
				row.Index, row.Scale = stride, 1
			}
			g.to(sums[r][k], v, row)
		}
	}
	for _, p := range []reg.Register{at, third, from} {
		g.ADDQ(operand.U32(8*width*vectors), p)
	}
	g.SUBQ(operand.U32(width*vectors), left)
	g.JNZ(operand.LabelRef("places"))
	for r := range sums {
		g.VMOVSD(g.total(g.add(sums[r][0], sums[r][1])), pointer(dst).Offset(8*r))
	}
	g.ADDQ(operand.U32(8*basisRows), dst)
	g.LEAQ(operand.Mem{Base: table, Index: stride, Scale: basisRows}, table)
	g.SUBQ(operand.U32(basisRows), rows)
	g.JNZ(operand.LabelRef("rows"))
	g.VZEROUPPER()
	g.RET()
}

func combineOf(c *build.Context, name string, width int) {
	g := begin(c, name, name+" is combineGo for rows a multiple of 4 and places of 32.",
		"func(dst, table, by *float64, rows, places int)", width, 0, nil)
	a := g.all("dst", "table", "by", "rows", "places")
	dst, table, by, rows, places := a[0], a[1], a[2], a[3], a[4]
	const vectors = 4
	stride, left := g.GP64(), g.GP64()
	g.MOVQ(places, stride)
	g.SHLQ(operand.Imm(3), stride)
	at, factor, more := g.GP64(), g.GP64(), g.GP64()
	g.MOVQ(places, left)
	g.Label("places")
	g.MOVQ(table, at)
	g.MOVQ(by, factor)
	g.MOVQ(rows, more)
	var sums [2][vectors]reg.VecVirtual // of even and of odd rows
	for r := range sums {
		for k := range sums[r] {
			sums[r][k] = g.zero()
		}
	}
	g.Label("rows")
	for r := range sums {
		f := g.every(pointer(factor).Offset(8 * r))
		for k := range vectors {
			row := operand.Mem{Base: at, Disp: 8 * width * k}
			if r == 1 {
				row.Index, row.Scale = stride, 1
			}
			g.to(sums[r][k], f, row)
		}
	}
	g.LEAQ(operand.Mem{Base: at, Index: stride, Scale: 2}, at)
	g.ADDQ(operand.U32(16), factor)
	g.SUBQ(operand.U32(2), more)
	g.JNZ(operand.LabelRef("rows"))
	for k := range vectors {
		g.store(g.add(sums[0][k], sums[1][k]), pointer(dst).Offset(8*width*k))
	}
	for _, p := range []reg.Register{dst, table} {
		g.ADDQ(operand.U32(8*width*vectors), p)
	}
	g.SUBQ(operand.U32(width*vectors), left)
	g.JNZ(operand.LabelRef("places"))
	g.VZEROUPPER()
	g.RET()
}
