package main

import (
	"github.com/mmcloughlin/avo/build"
	"github.com/mmcloughlin/avo/operand"
	"github.com/mmcloughlin/avo/reg"
)

// advance writes advanceGo of multitone's kernels, for any order and degree.
func advance(c *build.Context) {
	advanceStates(c, "advanceAVX2", 4)
	advanceStates(c, "advanceAVX512", 8)
}

const (
	groupShift  = 7
	groupBytes  = 1 << groupShift // of one complex number a tone
	mostStates  = 8
	mostMoments = 11
)

// advanceStates writes one width. A group's numbers are parts vectors, which go side by
// side: a coefficient is loaded once for all of them.
func advanceStates(c *build.Context, name string, width int) {
	g := begin(c, name, name+` advances the states of a group of tones by a block. coefficients holds, row
by row, those of Shift and of Add that count, as rows tells, and the one of Out; turns the real parts, twice
each, of the group's tones, then the imaginary ones. step is between moments [bytes].`,
		"func(state, moments, out *complex128, channels int, step uintptr, coefficients, turns *float64, rows *int64, order, wide int)", width, 0, nil)
	parts := 2 * lanes / width
	slots := g.AllocLocal((mostStates + mostMoments) * groupBytes)
	part := func(m operand.Mem, p int) operand.Mem { return m.Offset(p * 8 * width) }
	at := func(p reg.Register) operand.Mem { return operand.Mem{Base: p} }

	state := g.Load(g.Param("state"), g.GP64())
	moments := g.Load(g.Param("moments"), g.GP64())
	out := g.Load(g.Param("out"), g.GP64())
	channels := g.Load(g.Param("channels"), g.GP64())
	turns := g.Load(g.Param("turns"), g.GP64())
	pointer, slot, count := g.GP64(), g.GP64(), g.GP64()

	g.Label("channel")
	// The block's moments; real and imaginary part are exchanged in every other one.
	step := g.Load(g.Param("step"), g.GP64())
	g.MOVQ(moments, pointer)
	g.LEAQ(slots.Offset(mostStates*groupBytes), slot)
	g.Load(g.Param("wide"), count)
	g.Label("moment")
	for p := range parts {
		g.store(g.load(part(at(pointer), p)), part(at(slot), p))
	}
	g.ADDQ(step, pointer)
	g.ADDQ(operand.U32(groupBytes), slot)
	g.DECQ(count)
	g.JZ(operand.LabelRef("turned"))
	for p := range parts {
		r := g.load(part(at(pointer), p))
		g.VPERMILPD(operand.Imm(0x55), r, r)
		g.store(r, part(at(slot), p))
	}
	g.ADDQ(step, pointer)
	g.ADDQ(operand.U32(groupBytes), slot)
	g.DECQ(count)
	g.JNZ(operand.LabelRef("moment"))
	g.Label("turned")

	// The old states, turned.
	g.MOVQ(state, pointer)
	g.LEAQ(slots, slot)
	g.Load(g.Param("order"), count)
	g.Label("old")
	for p := range parts {
		x := g.load(part(at(pointer), p))
		swapped := g.reg()
		g.VPERMILPD(operand.Imm(0x55), x, swapped)
		g.VMULPD(part(at(turns), p).Offset(groupBytes), swapped, swapped)
		g.VFMADDSUB213PD(swapped, g.load(part(at(turns), p)), x)
		g.store(x, part(at(slot), p))
	}
	g.ADDQ(operand.U32(groupBytes), pointer)
	g.ADDQ(operand.U32(groupBytes), slot)
	g.DECQ(count)
	g.JNZ(operand.LabelRef("old"))

	// Row by row.
	coefficient := g.Load(g.Param("coefficients"), g.GP64())
	row := g.Load(g.Param("order"), g.GP64())
	columns := g.Load(g.Param("rows"), g.GP64())
	sums, outputs := make([]reg.VecVirtual, parts), make([]reg.VecVirtual, parts)
	for p := range parts {
		sums[p], outputs[p] = g.reg(), g.reg()
		g.VXORPD(outputs[p], outputs[p], outputs[p])
	}
	products := func(label string) {
		g.Label(label)
		f := g.every(at(coefficient))
		for p := range parts {
			g.to(sums[p], f, part(at(slot), p))
		}
		g.ADDQ(operand.U32(8), coefficient)
		g.ADDQ(operand.U32(groupBytes), slot)
		g.DECQ(count)
		g.JNZ(operand.LabelRef(label))
	}
	g.Label("row")
	for p := range parts {
		g.VXORPD(sums[p], sums[p], sums[p])
	}
	for i, label := range []string{"shift", "add"} { // a span of each
		first := g.GP64()
		g.MOVQ(at(columns).Offset(16*i), first)
		g.MOVQ(at(columns).Offset(16*i+8), count)
		g.SHLQ(operand.Imm(groupShift), first)
		g.LEAQ(slots.Offset(i*mostStates*groupBytes), slot)
		g.ADDQ(first, slot)
		products(label)
	}
	f := g.every(at(coefficient))
	for p := range parts {
		g.store(sums[p], part(at(state), p))
		g.to(outputs[p], sums[p], f)
	}
	g.ADDQ(operand.U32(8), coefficient)
	g.ADDQ(operand.U32(groupBytes), state)
	g.ADDQ(operand.U32(32), columns)
	g.DECQ(row)
	g.JNZ(operand.LabelRef("row"))

	g.TESTQ(out, out)
	g.JZ(operand.LabelRef("silent"))
	for p := range parts {
		g.store(outputs[p], part(at(out), p))
	}
	g.ADDQ(operand.U32(groupBytes), out)
	g.Label("silent")
	g.ADDQ(operand.U32(groupBytes), moments)
	g.DECQ(channels)
	g.JNZ(operand.LabelRef("channel"))
	g.VZEROUPPER()
	g.RET()
}
