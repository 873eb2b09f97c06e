package main

import (
	"fmt"

	"github.com/mmcloughlin/avo/build"
	"github.com/mmcloughlin/avo/operand"
	"github.com/mmcloughlin/avo/reg"
)

// Four stages, and a block's moments of them at least and at most.
const (
	stageCount   = 4
	leastMoments = 4
	stageMoments = 8
)

// cascade writes advanceGo of multitone's kernels for four stages, with AVX-512.
func cascade(c *build.Context) {
	const width = 8
	g := begin(c, "cascade4AVX512", `cascade4AVX512 advances the states of four stages of channels many channels of a
group of tones. coefficients are those of Shift below its diagonal of ones, of Add from
its diagonal on, row by row as for seven degrees, and of Out; turns the real parts, twice
each, of the group's tones, then the imaginary ones. step is between moments [bytes].`,
		"func(state, moments, out *complex128, channels int, step uintptr, coefficients, turns *float64, degree int)", width, 0, nil)
	parts := 2 * lanes / width
	a := g.all("state", "moments", "out", "channels", "step", "coefficients", "turns", "degree")
	state, out, channels, step, coefficients, turns, degree := a[0], a[2], a[3], a[4], a[5], a[6], a[7]
	part := func(m operand.Mem, p int) operand.Mem { return m.Offset(8 * width * p) }
	re, im := make([]reg.VecVirtual, parts), make([]reg.VecVirtual, parts)
	for p := range parts {
		re[p], im[p] = g.load(part(pointer(turns), p)), g.load(part(pointer(turns).Offset(groupBytes), p))
	}
	moments := []reg.GPVirtual{a[1]}
	for d := 1; d < stageMoments; d++ {
		moments = append(moments, g.GP64())
		g.LEAQ(operand.Mem{Base: moments[d-1], Index: step, Scale: 1}, moments[d])
	}
	// Where the coefficients lie.
	next := 0
	coefficient := func() operand.Mem { next++; return pointer(coefficients).Offset(8 * (next - 1)) }
	var shift [stageCount][]operand.Mem
	var add [stageCount][stageMoments]operand.Mem
	var last [stageCount]operand.Mem
	for j := range stageCount {
		for range j {
			shift[j] = append(shift[j], coefficient())
		}
	}
	for j := range stageCount {
		for d := j; d < stageMoments; d++ {
			add[j][d] = coefficient()
		}
	}
	for j := range stageCount {
		last[j] = coefficient()
	}

	g.Label("channel")
	outputs := make([]reg.VecVirtual, parts)
	for p := range parts {
		var y [stageCount]reg.VecVirtual // old moments, turned, then the new ones
		at := func(j int) operand.Mem { return part(pointer(state).Offset(groupBytes*j), p) }
		for j := range y {
			y[j] = g.turned(g.load(at(j)), re[p], im[p])
		}
		// Real and imaginary part are exchanged in every other moment.
		moment := func(d int) reg.VecVirtual {
			if m := part(pointer(moments[d]), p); d%2 == 0 {
				return g.load(m)
			} else {
				return g.exchanged(m)
			}
		}
		var x []reg.VecVirtual
		for d := range leastMoments {
			x = append(x, moment(d))
		}
		for j := stageCount - 1; j > 0; j-- {
			for i, m := range shift[j] {
				g.VFMADD231PD_BCST(m, y[i], y[j])
			}
		}
		for j := range y {
			for d := j; d < leastMoments; d++ {
				g.VFMADD231PD_BCST(add[j][d], x[d], y[j])
			}
		}
		finish := fmt.Sprint("finish", p)
		for d := leastMoments; d < stageMoments; d += 2 {
			g.CMPQ(degree, operand.Imm(uint64(d)))
			g.JLT(operand.LabelRef(finish))
			for k := range 2 {
				if k > 0 {
					g.JEQ(operand.LabelRef(finish))
				}
				v := moment(d + k)
				for j := range y {
					g.VFMADD231PD_BCST(add[j][d+k], v, y[j])
				}
			}
		}
		g.Label(finish)
		for j := range y {
			g.store(y[j], at(j))
		}
		outputs[p] = g.reg()
		g.VMULPD_BCST(last[0], y[0], outputs[p])
		for j := 1; j < stageCount; j++ {
			g.VFMADD231PD_BCST(last[j], y[j], outputs[p])
		}
	}
	g.TESTQ(out, out)
	g.JZ(operand.LabelRef("silent"))
	for p, y := range outputs {
		g.store(y, part(pointer(out), p))
	}
	g.ADDQ(operand.U32(groupBytes), out)
	g.Label("silent")
	g.ADDQ(operand.U32(stageCount*groupBytes), state)
	for _, m := range moments {
		g.ADDQ(operand.U32(groupBytes), m)
	}
	g.DECQ(channels)
	g.JNZ(operand.LabelRef("channel"))
	g.VZEROUPPER()
	g.RET()
}
