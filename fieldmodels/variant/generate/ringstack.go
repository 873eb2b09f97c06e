package main

import (
	"fmt"

	"github.com/mmcloughlin/avo/build"
	"github.com/mmcloughlin/avo/operand"
	"github.com/mmcloughlin/avo/reg"
)

// ringStack writes stackRings for both widths.
func ringStack(c *build.Context) {
	n := ringConstants(c, "ringStack")
	for _, kind := range []struct {
		name string
		sums int
	}{{"Rings", 4}, {"Fields", 2}} {
		stackRings(c, "stack"+kind.name, "AVX2", 4, kind.sums, n)
		stackRings(c, "stack"+kind.name, "AVX512", 8, kind.sums, n)
	}
}

// stackRings writes stackRingsGo for one width, with two sums that where only the field is
// wanted.
func stackRings(file *build.Context, kind, level string, width, wanted int, n numbers) {
	g := begin(file, kind+level, fmt.Sprintf("%s%s is stackRingsGo for %d sums.", kind, level, wanted), "func(sums, stack *float64, s float64, vectors int)", width, ringSlots+5, n)
	r := newRings(g)
	square, err := g.Param("s").Resolve()
	if err != nil {
		panic(err)
	}
	stack := g.Load(g.Param("stack"), g.GP64())
	count := g.Load(g.Param("vectors"), g.GP64())
	at := func(p reg.Register, vector int) operand.Mem {
		return operand.Mem{Base: p, Disp: 8 * ringPlaces * vector}
	}
	sums := make([]operand.Mem, wanted)
	zero := g.reg()
	g.VXORPD(zero, zero, zero)
	for k := range sums {
		sums[k] = g.slot()
		g.store(zero, sums[k])
	}
	a2x4 := g.slot()
	g.Label("ring")
	g.store(g.mul(g.load(at(stack, 0)), g.number(4)), a2x4)
	z := g.load(at(stack, 2))
	for k, v := range r.jet(wanted, g.every(square.Addr), z, at(stack, 0), a2x4, at(stack, 1)) {
		g.store(g.add(v, sums[k]), sums[k])
	}
	g.ADDQ(operand.U32(8*width), stack)
	g.DECQ(count)
	g.JNZ(operand.LabelRef("ring"))
	sum := g.Load(g.Param("sums"), g.GP64())
	for k := range sums {
		g.VMOVSD(g.total(g.load(sums[k])), operand.Mem{Base: sum, Disp: 8 * k})
	}
	g.VZEROUPPER()
	g.RET()
}

// ringPlaces is the room of a stack.
const ringPlaces = 40
