package main

import (
	"github.com/mmcloughlin/avo/build"
	"github.com/mmcloughlin/avo/operand"
	"github.com/mmcloughlin/avo/reg"
)

// rings emits the field of loops, one a lane, by the formulas of fieldmodels.Loop.
type rings struct {
	*vector
	zeta, s, d, x, b2, ih, c operand.Op // what is needed later
}

// ringSlots are the vectors that rings keep on the stack, for want of registers.
const ringSlots = 7

// place holds a vector for later: a register where there are enough, for wide ones on the
// stack reach from one line of the cache into the next.
func (g *vector) place() operand.Op {
	if g.width < lanes {
		return g.slot()
	}
	return g.reg()
}

// held is a copy of r in a place of its own.
func (g *vector) held(r reg.VecVirtual) operand.Op {
	to := g.place()
	g.VMOVUPD(r, to)
	return to
}

// into adds r to what is held.
func (g *vector) into(held operand.Op, r reg.VecVirtual) {
	if sum, ok := held.(reg.VecVirtual); ok {
		g.VADDPD(r, sum, sum)
		return
	}
	g.VMOVUPD(g.add(r, held), held)
}

// ringConstants lays out the constants of a file with rings, and more.
func ringConstants(c *build.Context, name string, more ...float64) numbers {
	return constants(c, name, append(more, 0.0625, 0.125, 9./64, 0.25, 0.5, 1, 2, 4, 6, 10, 12, 16, 2.5e-4, 41./1024, 25./256)...)
}

// jet is ringJet at the square ss of the distance from the axis and the height z: of a
// loop with a², 4a² and μ0·turns·a². Wanted are the first two numbers, the field, or all
// four.
func (r *rings) jet(wanted int, ss, z reg.VecVirtual, a2Of, a2x4, f0 operand.Op) []reg.VecVirtual {
	g := r.vector
	// The terms of Loop's comment.
	r.zeta, r.s = g.held(z), g.held(ss)
	a2 := g.load(a2Of)
	z2 := g.mul(z, z)
	dd := g.sub(a2, ss)
	r.d = g.held(dd)
	e := g.sub(dd, z2)
	b4 := g.mul(e, e)
	g.to(b4, z2, a2x4)
	sum := g.add(g.add(a2, ss), z2)
	r.x = g.held(sum)
	qq := g.sqrt(b4)
	r.b2 = g.held(qq)
	h := g.mul(g.add(sum, qq), g.number(0.5))
	one := g.load(g.number(1))
	inverse := g.div(one, h)
	r.ih = g.held(inverse)
	ib4 := g.div(one, b4)
	cn := g.mul(g.mul(a2, ss), inverse)
	r.c = g.held(cn)

	// ringMean, until the last lane has converged; those ahead only get more exact.
	k, power, tau := g.load(g.number(1)), g.load(g.number(1)), g.reg()
	g.VXORPD(tau, tau, tau)
	steps := g.GP64()
	g.MOVQ(operand.U32(16), steps)
	m, i := g.reg(), g.reg()
	g.JMP(operand.LabelRef("step"))
	g.Label("again")
	g.to(tau, k, power)
	g.VMULPD(cn, k, k)
	g.Label("step")
	g.VMULPD(qq, h, m)
	g.VADDPD(qq, h, h)
	g.VSQRTPD(m, qq)
	g.VMULPD(g.number(0.25), h, h)
	g.VFMADD231PD(g.number(0.5), qq, h)
	g.VMOVUPD(g.number(0.0625), i)
	g.VDIVPD(h, i, i) // 1/(16h)
	g.VMULPD(i, k, k)
	g.VMULPD(cn, cn, cn)
	g.VMULPD(i, cn, cn)
	g.VMULPD(i, cn, m)
	g.VMULPD(g.number(16), m, m)
	g.VADDPD(power, power, power)
	g.DECQ(steps)
	g.JZ(operand.LabelRef("converged"))
	g.anyAbove(m, g.number(2.5e-4), "again")
	g.Label("converged")
	tail := g.load(g.number(41. / 1024))
	for _, v := range []float64{0.0625, 0.125, 1} {
		g.horner(tail, m, g.number(v))
	}
	g.to(tau, g.mul(k, power), tail)
	mean := g.load(g.number(25. / 256))
	for _, v := range []float64{9. / 64, 0.25, 1} {
		g.horner(mean, m, g.number(v))
	}
	f := g.mul(g.mul(g.mul(mean, g.sqrt(i)), f0), ib4)

	// The field along the axis bz and over ρ g, and the derivatives h and gz.
	c := g.load(r.c)
	sigma := g.load(g.number(1))
	g.to(sigma, c, tau)
	inverse = g.load(r.ih)
	sh := g.mul(sigma, inverse)
	t := g.mul(sh, r.s)
	w4 := g.load(g.number(4))
	g.less(w4, sh, r.x)
	z = g.load(r.zeta)
	z2 = g.mul(z, z)
	field := func(fz reg.VecVirtual) []reg.VecVirtual {
		bz := g.mul(g.sub(g.load(g.number(2)), t), r.d)
		g.to(bz, g.add(g.load(g.number(2)), t), z2)
		return []reg.VecVirtual{g.mul(bz, f), g.mul(fz, w4)}
	}
	if wanted == 2 {
		return field(g.mul(f, z))
	}
	g2 := g.sub(g.load(g.number(2)), sigma)
	b2r := g.load(r.b2)
	// gz = f·(w − ζ²·(X·w + 12·(b² + c·g₂))/b⁴)
	inner := g.add(b2r, g.mul(c, g2))
	inner = g.mul(inner, g.number(12))
	g.to(inner, w4, r.x)
	inner = g.mul(g.mul(inner, ib4), z2)
	gz := g.mul(g.sub(w4, inner), f)
	// T = g₂·[4a²(d+ζ²+b²)/h + ε(a²−h)] + ε·[σ(10a²−X)/2 − 6h + a²(2−ε)(hτ−σ)]
	eps := g.mul(b2r, inverse)
	half := g.mul(g.add(b2r, r.x), g.number(0.5)) // h
	a2 = g.load(a2Of)
	first := g.mul(g.mul(g.add(g.add(z2, r.d), b2r), inverse), a2x4)
	g.to(first, eps, g.sub(a2, half))
	last := g.mul(g.sub(g.load(g.number(2)), eps), a2)
	ht := g.sub(g.mul(half, tau), sigma)
	last = g.mul(last, ht)
	g.less(last, half, g.number(6))
	ten := g.sub(g.mul(a2, g.number(10)), r.x)
	g.to(last, g.mul(ten, sigma), g.number(0.5))
	big := g.mul(g2, first)
	g.to(big, eps, last)
	fz := g.mul(f, z)
	hh := g.mul(g.mul(g.mul(big, ib4), fz), g.number(2))
	return append(field(fz), hh, gz)
}
