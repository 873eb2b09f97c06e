package main

import (
	"github.com/mmcloughlin/avo/build"
	"github.com/mmcloughlin/avo/operand"
	"github.com/mmcloughlin/avo/reg"
)

// Vectors of a kernel.Row, a Dipole and a Datum, and numbers of a Point.
const (
	rowVectors, dipoleVectors, datumVectors, pointNumbers = 7, 6, 2, 9
	vectorBytes                                           = 8 * lanes
)

// dipoleRows writes dipoleRowsGo of the solver for both widths.
func dipoleRows(c *build.Context) {
	n := constants(c, "dipole", append([]float64{3, 5}, rootNumbers...)...)
	dipoleRowsOf(c, "dipoleRowsAVX2", 4, n)
	dipoleRowsOf(c, "dipoleRowsAVX512", 8, n)
}

// inverses are 1/x and 1/x^(3/2), to rounding; four at a time, root and quotient beside
// each other rather than one after the other.
func (g *vector) inverses(x reg.VecVirtual) (first, threeHalves reg.VecVirtual) {
	if g.width == 4 {
		root := g.sqrt(x)
		first = g.div(g.load(g.number(1)), x)
		return first, g.mul(g.mul(first, first), root)
	}
	root := g.inverseRoot(x)
	first = g.mul(root, root)
	return first, g.mul(first, root)
}

func dipoleRowsOf(c *build.Context, name string, width int, n numbers) {
	g := begin(c, name, name+" is dipoleRowsGo for e emitters and c coils.",
		"func(rows, emitters, coils, data *float64, e, c int)", width, 0, n)
	a := g.all("rows", "emitters", "coils", "data", "e")
	rows, emitter, coils, data, emitters := a[0], a[1], a[2], a[3], a[4]
	at := func(p reg.Register, vector, part int) operand.Mem {
		return pointer(p).Offset(vectorBytes*vector + 8*width*part)
	}
	coil, count := g.GP64(), g.GP64()
	g.Label("emitter")
	var kept [3]operand.Op
	if width == lanes {
		for k := range kept {
			kept[k] = g.load(at(emitter, 3+k, 0))
		}
	}
	g.MOVQ(coils, coil)
	g.Load(g.Param("c"), count)
	g.Label("coil")
	same := func(i int) reg.VecVirtual { return g.every(pointer(coil).Offset(8 * i)) }
	for part := range lanes / width {
		m := kept
		if width < lanes {
			for k := range m {
				m[k] = at(emitter, 3+k, part)
			}
		}
		var d, unit, field, slope [3]reg.VecVirtual
		for k := range d {
			d[k] = g.sub(same(k), at(emitter, k, part))
		}
		square := g.dot(d, [3]operand.Op{d[0], d[1], d[2]})
		i2, i3 := g.inverses(square)
		i3 = g.mul(i3, at(data, 1, part)) // so that all that follows is over the standard deviation
		for k := range unit {
			unit[k] = same(3 + k)
		}
		md, nd, mn := g.dot(d, m), g.dot(d, [3]operand.Op{unit[0], unit[1], unit[2]}), g.dot(unit, m)
		i5 := g.mul(g.mul(i2, g.number(3)), i3)
		b, gm := g.mul(i5, md), g.mul(i5, nd)
		gd := g.mul(g.mul(nd, md), i2)
		five := g.load(g.number(5))
		g.VFNMADD213PD(mn, five, gd)
		gd = g.mul(gd, i5)
		value := g.mul(mn, i3)
		g.VFMSUB231PD(nd, b, value)
		g.less(value, g.load(at(data, 0, part)), at(data, 1, part))
		g.store(value, at(rows, 6, part))
		for k := range field {
			field[k] = g.mul(b, d[k])
			g.less(field[k], i3, m[k])
		}
		for k := range slope {
			slope[k] = g.mul(gm, m[k])
			g.to(slope[k], b, unit[k])
			g.to(slope[k], gd, d[k])
		}
		arm := [3]reg.VecVirtual{same(6), same(7), same(8)}
		var turn [3]reg.VecVirtual
		for k := range turn {
			i, j := (k+1)%3, (k+2)%3
			turn[k] = g.mul(slope[j], arm[i])
			g.less(turn[k], slope[i], arm[j])
		}
		for k := range turn {
			i, j := (k+1)%3, (k+2)%3
			g.to(turn[k], field[j], unit[i])
			g.less(turn[k], field[i], unit[j])
		}
		for k := range 3 {
			g.store(slope[k], at(rows, k, part))
			g.store(turn[k], at(rows, 3+k, part))
		}
	}
	g.ADDQ(operand.U32(vectorBytes*rowVectors), rows)
	g.ADDQ(operand.U32(vectorBytes*datumVectors), data)
	g.ADDQ(operand.U32(8*pointNumbers), coil)
	g.DECQ(count)
	g.JNZ(operand.LabelRef("coil"))
	g.ADDQ(operand.U32(vectorBytes*dipoleVectors), emitter)
	g.DECQ(emitters)
	g.JNZ(operand.LabelRef("emitter"))
	g.VZEROUPPER()
	g.RET()
}
