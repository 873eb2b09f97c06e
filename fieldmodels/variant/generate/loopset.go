package main

import (
	"github.com/mmcloughlin/avo/build"
	"github.com/mmcloughlin/avo/operand"
	"github.com/mmcloughlin/avo/reg"
)

// Where the vectors of a fieldmodels.LoopSet lie, of a LoopFlux, and the numbers of a
// Pickup and a FluxPoint, by their order there.
const (
	setCentre, setAxis, setA2, setA2x4, setF = 0, 3, 6, 7, 8
	fluxValue, fluxPlace, fluxTurn           = 0, 1, 4
	pickupMoment, pickupAxis                 = 0, 3
	pointAt, pointArm                        = 0, 3
	pointValue, pointSlope, pointDeriv       = 6, 7, 8
	pointBytes                               = 9 * 8
)

// loopSet writes coupleLoops for both widths.
func loopSet(c *build.Context) {
	n := constants(c, "loopSet", 0.0625, 0.125, 9./64, 0.25, 0.5, 1, 2, 3, 4, 6, 10, 12, 16, 2.5e-4, 41./1024, 25./256)
	coupleLoops(c, "coupleLoopsAVX2", 4, n)
	coupleLoops(c, "coupleLoopsAVX512", 8, n)
}

// coupleLoops writes coupleLoopsGo for one width: for each part of the set as wide as
// a vector, for each point.
func coupleLoops(file *build.Context, name string, width int, n numbers) {
	g := begin(file, name, name+" is coupleLoopsGo.", "func(dst, set, pickup, points *float64, count int)", width, 22, n)
	at := func(p reg.Register, vector int) operand.Mem { return operand.Mem{Base: p, Disp: 8 * lanes * vector} }
	of := func(p reg.Register, number int) operand.Mem { return operand.Mem{Base: p, Disp: 8 * number} }
	dst := g.Load(g.Param("dst"), g.GP64())
	set := g.Load(g.Param("set"), g.GP64())
	pickup := g.Load(g.Param("pickup"), g.GP64())
	parts := g.GP64()
	g.MOVQ(operand.U32(lanes/width), parts)

	var w, sumG, sumB, sumT [3]operand.Mem
	for k := range 3 {
		w[k], sumG[k], sumB[k], sumT[k] = g.slot(), g.slot(), g.slot(), g.slot()
	}
	zeta, s, d, x, b2, ih, cc, mw, mn, value := g.slot(), g.slot(), g.slot(), g.slot(), g.slot(), g.slot(), g.slot(), g.slot(), g.slot(), g.slot()

	g.Label("part")
	point := g.Load(g.Param("points"), g.GP64())
	count := g.Load(g.Param("count"), g.GP64())
	zero := g.reg()
	g.VXORPD(zero, zero, zero)
	for k := range 3 {
		g.store(zero, sumG[k])
		g.store(zero, sumB[k])
		g.store(zero, sumT[k])
	}
	g.store(zero, value)
	{
		m := g.mul(g.every(of(pickup, pickupMoment)), at(set, setAxis))
		g.to(m, g.every(of(pickup, pickupMoment+1)), at(set, setAxis+1))
		g.to(m, g.every(of(pickup, pickupMoment+2)), at(set, setAxis+2))
		g.store(m, mn)
	}

	g.Label("point")
	// Where the point lies as a loop sees it: ζ along its axis n, w square to it.
	var q [3]reg.VecVirtual
	for k := range 3 {
		q[k] = g.sub(g.every(of(point, pointAt+k)), at(set, setCentre+k))
	}
	z := g.dot(q, [3]operand.Op{at(set, setAxis), at(set, setAxis+1), at(set, setAxis+2)})
	for k := range 3 {
		g.less(q[k], z, at(set, setAxis+k))
		g.store(q[k], w[k])
	}
	ss := g.dot(q, [3]operand.Op{q[0], q[1], q[2]})
	along := g.mul(g.every(of(pickup, pickupMoment)), q[0])
	g.to(along, g.every(of(pickup, pickupMoment+1)), q[1])
	g.to(along, g.every(of(pickup, pickupMoment+2)), q[2])
	g.store(along, mw)
	g.store(z, zeta)
	g.store(ss, s)

	// The terms of Loop's comment.
	a2 := g.load(at(set, setA2))
	z2 := g.mul(z, z)
	dd := g.sub(a2, ss)
	g.store(dd, d)
	e := g.sub(dd, z2)
	b4 := g.mul(e, e)
	g.to(b4, z2, at(set, setA2x4))
	sum := g.add(g.add(a2, ss), z2)
	g.store(sum, x)
	qq := g.sqrt(b4)
	g.store(qq, b2)
	h := g.mul(g.add(sum, qq), g.number(0.5))
	one := g.load(g.number(1))
	inverse := g.div(one, h)
	g.store(inverse, ih)
	ib4 := g.div(one, b4)
	cn := g.mul(g.mul(a2, ss), inverse)
	g.store(cn, cc)

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
	f := g.mul(g.mul(g.mul(mean, g.sqrt(i)), at(set, setF)), ib4)

	// The field along the axis bz and over ρ g, and the derivatives h and gz.
	c := g.load(cc)
	sigma := g.load(g.number(1))
	g.to(sigma, c, tau)
	inverse = g.load(ih)
	sh := g.mul(sigma, inverse)
	t := g.mul(sh, s)
	w4 := g.load(g.number(4))
	g.less(w4, sh, x)
	g2 := g.sub(g.load(g.number(2)), sigma)
	b2r := g.load(b2)
	z = g.load(zeta)
	z2 = g.mul(z, z)
	// gz = f·(w − ζ²·(X·w + 12·(b² + c·g₂))/b⁴)
	inner := g.add(b2r, g.mul(c, g2))
	inner = g.mul(inner, g.number(12))
	g.to(inner, w4, x)
	inner = g.mul(g.mul(inner, ib4), z2)
	gz := g.mul(g.sub(w4, inner), f)
	// T = g₂·[4a²(d+ζ²+b²)/h + ε(a²−h)] + ε·[σ(10a²−X)/2 − 6h + a²(2−ε)(hτ−σ)]
	eps := g.mul(b2r, inverse)
	half := g.mul(g.add(b2r, x), g.number(0.5)) // h
	a2 = g.load(at(set, setA2))
	first := g.mul(g.mul(g.add(g.add(z2, d), b2r), inverse), at(set, setA2x4))
	g.to(first, eps, g.sub(a2, half))
	last := g.mul(g.sub(g.load(g.number(2)), eps), a2)
	ht := g.sub(g.mul(half, tau), sigma)
	last = g.mul(last, ht)
	g.less(last, half, g.number(6))
	ten := g.sub(g.mul(a2, g.number(10)), x)
	g.to(last, g.mul(ten, sigma), g.number(0.5))
	big := g.mul(g2, first)
	g.to(big, eps, last)
	fz := g.mul(f, z)
	hh := g.mul(g.mul(g.mul(big, ib4), fz), g.number(2))
	gg := g.mul(fz, w4)
	bz := g.mul(g.sub(g.load(g.number(2)), t), d)
	g.to(bz, g.add(g.load(g.number(2)), t), z2)
	bz = g.mul(bz, f)

	// n·B, B and ∇(n·B) for the moment n.
	mwr, mnr := g.load(mw), g.load(mn)
	flux := g.mul(bz, mnr)
	g.to(flux, gg, mwr)
	byW := g.mul(hh, mwr) // what multiplies w in the gradient
	g.to(byW, gz, mnr)
	byN := g.mul(gz, mwr) // and the loop's axis
	k3 := g.mul(hh, s)
	g.to(k3, gg, g.number(3))
	g.less(byN, k3, mnr)

	deriv := g.every(of(point, pointDeriv))
	var grad [3]reg.VecVirtual
	for k := range 3 {
		n := g.load(at(set, setAxis+k))
		grad[k] = g.mul(n, byN)
		g.to(grad[k], byW, w[k])
		g.to(grad[k], g.every(of(pickup, pickupMoment+k)), gg)
		field := g.mul(n, bz)
		g.to(field, gg, w[k])
		sum := g.load(sumB[k])
		g.to(sum, field, deriv)
		g.store(sum, sumB[k])
	}
	total := g.load(value)
	g.to(total, flux, g.every(of(point, pointValue)))
	slope := g.mul(g.every(of(pickup, pickupAxis)), grad[0])
	g.to(slope, g.every(of(pickup, pickupAxis+1)), grad[1])
	g.to(slope, g.every(of(pickup, pickupAxis+2)), grad[2])
	g.to(total, slope, g.every(of(point, pointSlope)))
	g.store(total, value)
	for k := range 3 {
		grad[k] = g.mul(grad[k], deriv)
		sum := g.add(grad[k], sumG[k])
		g.store(sum, sumG[k])
	}
	for k := range 3 { // arm × gradient
		a, b := (k+1)%3, (k+2)%3
		turn := g.load(sumT[k])
		g.to(turn, grad[b], g.every(of(point, pointArm+a)))
		g.less(turn, grad[a], g.every(of(point, pointArm+b)))
		g.store(turn, sumT[k])
	}
	g.ADDQ(operand.U32(pointBytes), point)
	g.DECQ(count)
	g.JNZ(operand.LabelRef("point"))

	g.store(g.load(value), at(dst, fluxValue))
	for k := range 3 {
		a, b := (k+1)%3, (k+2)%3
		g.store(g.load(sumG[k]), at(dst, fluxPlace+k))
		turn := g.load(sumT[k])
		g.to(turn, g.every(of(pickup, pickupMoment+a)), sumB[b])
		g.less(turn, g.every(of(pickup, pickupMoment+b)), sumB[a])
		g.store(turn, at(dst, fluxTurn+k))
	}
	g.ADDQ(operand.U32(8*width), dst)
	g.ADDQ(operand.U32(8*width), set)
	g.DECQ(parts)
	g.JNZ(operand.LabelRef("part"))
	g.VZEROUPPER()
	g.RET()
}
