package main

import (
	"fmt"

	"github.com/mmcloughlin/avo/build"
	"github.com/mmcloughlin/avo/operand"
	"github.com/mmcloughlin/avo/reg"
)

// The numbers of a fieldmodels.section and the arrays of a productRule, by their order
// there, and the room of each array.
const (
	sectionMiddle, sectionHalf, sectionLength, sectionCurrent, sectionS, sectionZ = 0, 1, 2, 3, 4, 5
	ruleAcross, ruleAlong, ruleWeight                                             = 0, 1, 2
	productPlaces                                                                 = 256
)

// section writes sectionRingsGo for both widths.
func section(c *build.Context) {
	n := ringConstants(c, "section")
	for _, kind := range []struct {
		name string
		sums int
	}{{"Rings", 4}, {"Fields", 2}} {
		sectionRings(c, "section"+kind.name, "AVX2", 4, kind.sums, n)
		sectionRings(c, "section"+kind.name, "AVX512", 8, kind.sums, n)
	}
}

// sectionRings writes sectionRingsGo for one width, with two sums that where only the
// field is wanted.
func sectionRings(file *build.Context, kind, level string, width, wanted int, n numbers) {
	g := begin(file, kind+level, fmt.Sprintf("%s%s is sectionRingsGo for %d sums.", kind, level, wanted), "func(sums, rule, section *float64, vectors int)", width, ringSlots+7, n)
	r := rings{vector: g}
	rule, section := g.Load(g.Param("rule"), g.GP64()), g.Load(g.Param("section"), g.GP64())
	count := g.Load(g.Param("vectors"), g.GP64())
	of := func(number int) reg.VecVirtual { return g.every(pointer(section).Offset(8 * number)) }
	at := func(array int) operand.Mem { return pointer(rule).Offset(8 * productPlaces * array) }
	sums := make([]operand.Op, wanted)
	zero := g.zero()
	for k := range sums {
		sums[k] = g.held(zero)
	}
	g.Label("ring")
	a := of(sectionMiddle)
	g.to(a, of(sectionHalf), at(ruleAcross))
	a = g.mul(a, a)
	a2, a2x4 := g.held(a), g.held(g.mul(a, g.number(4)))
	f0 := g.held(g.mul(g.mul(of(sectionCurrent), at(ruleWeight)), a))
	z := of(sectionZ)
	g.less(z, of(sectionLength), at(ruleAlong))
	for k, v := range r.jet(wanted, of(sectionS), z, a2, a2x4, f0) {
		g.into(sums[k], v)
	}
	g.ADDQ(operand.U32(8*width), rule)
	g.DECQ(count)
	g.JNZ(operand.LabelRef("ring"))
	sum := g.Load(g.Param("sums"), g.GP64())
	for k := range sums {
		g.VMOVSD(g.total(g.load(sums[k])), pointer(sum).Offset(8*k))
	}
	g.VZEROUPPER()
	g.RET()
}
