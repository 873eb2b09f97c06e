package main

import (
	"github.com/mmcloughlin/avo/operand"
	"github.com/mmcloughlin/avo/reg"
)

// Complex numbers: a vector holds pairs of a real and an imaginary part, or real parts
// and imaginary ones have a vector each.

// pair is one complex number in every pair of lanes.
func (g *vector) pair(m operand.Mem) reg.VecVirtual {
	r := g.reg()
	if g.width == 4 {
		g.VBROADCASTF128(m, r)
	} else {
		g.VBROADCASTF64X2(m, r)
	}
	return r
}

// exchanged has real and imaginary parts change places.
func (g *vector) exchanged(a operand.Op) reg.VecVirtual {
	r := g.reg()
	g.VPERMILPD(operand.Imm(0x55), a, r)
	return r
}

// turned is pairs a times re + j·im.
func (g *vector) turned(a, re, im reg.VecVirtual) reg.VecVirtual {
	r := g.mul(g.exchanged(a), im)
	g.VFMADDSUB231PD(re, a, r)
	return r
}

// product is (ar + j·ai)·(br + j·bi).
func (g *vector) product(ar, ai reg.VecVirtual, br, bi operand.Op) (re, im reg.VecVirtual) {
	re, im = g.mul(ar, br), g.mul(ar, bi)
	g.less(re, ai, bi)
	g.to(im, ai, br)
	return re, im
}

// interleave stores parts as complex numbers from m on. orders are those of the file,
// for vectors of eight.
func (g *vector) interleave(re, im reg.VecVirtual, m operand.Mem, o orders) {
	if g.width == 4 {
		low, high, first := g.reg(), g.reg(), g.reg()
		g.VUNPCKLPD(im, re, low)
		g.VUNPCKHPD(im, re, high)
		g.VPERM2F128(operand.Imm(0x20), high, low, first)
		g.VPERM2F128(operand.Imm(0x31), high, low, high)
		g.store(first, m)
		g.store(high, m.Offset(32))
		return
	}
	for half, order := range []operand.Mem{o.low, o.high} {
		r := g.reg()
		g.VMOVDQU64(order, r)
		g.VPERMI2PD(im, re, r)
		g.store(r, m.Offset(64*half))
	}
}

// orders are places that numbers are taken from, out of two vectors of eight that are
// counted on: low and high interleave them.
type orders struct{ low, high operand.Mem }

// gather loads what stands at the offsets from m on.
func (g *vector) gather(m operand.Mem, offsets reg.VecVirtual) reg.VecVirtual {
	r := g.reg()
	m.Index, m.Scale = offsets, 1
	if g.width == 4 {
		mask := g.reg()
		g.VXORPD(mask, mask, mask) // else it seems in use from the function's start
		g.VPCMPEQD(mask, mask, mask)
		g.VXORPD(r, r, r)
		g.VGATHERQPD(mask, m, r)
		return r
	}
	g.KXNORW(reg.K1, reg.K1, reg.K1)
	g.VPXORQ(r, r, r)
	g.VGATHERQPD(m, reg.K1, r)
	return r
}

// alike jumps to label if all integers of a are those of b.
func (g *vector) alike(a, b reg.VecVirtual, label string) {
	bits := g.GP32()
	if g.width == 4 {
		equal := g.reg()
		g.VPCMPEQQ(a, b, equal)
		g.VMOVMSKPD(equal, bits)
	} else {
		equal := g.K()
		g.VPCMPEQQ(a, b, equal)
		g.KMOVW(equal, bits)
	}
	g.CMPL(bits, operand.U32(1<<g.width-1))
	g.JEQ(operand.LabelRef(label))
}

// chosen is a set of lanes: a register of masks, or a vector of ones and zeros.
type chosen struct {
	k reg.OpmaskVirtual
	v reg.VecVirtual
}

// choose loads a set from memory, where all bits of the lanes in it are 1.
func (g *vector) choose(m operand.Mem) (c chosen) {
	if g.width == 4 {
		c.v = g.load(m)
		return c
	}
	r := g.reg()
	g.VMOVDQU64(m, r)
	c.k = g.K()
	g.VPTESTMQ(r, r, c.k)
	return c
}

// storeSome stores the lanes of a set.
func (g *vector) storeSome(r reg.VecVirtual, c chosen, m operand.Mem) {
	if g.width == 4 {
		g.VMASKMOVPD(r, c.v, m)
	} else {
		g.VMOVUPD(r, c.k, m)
	}
}
