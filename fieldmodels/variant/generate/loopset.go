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
	n := ringConstants(c, "loopSet", 3)
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

	r := rings{vector: g}
	var w [3]operand.Op
	var sumG, sumB, sumT [3]operand.Mem // of these there are too many for registers
	for k := range 3 {
		w[k], sumG[k], sumB[k], sumT[k] = g.place(), g.slot(), g.slot(), g.slot()
	}
	mw, mn, value := g.place(), g.place(), g.place()

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
	g.VMOVUPD(zero, value)
	{
		m := g.mul(g.every(of(pickup, pickupMoment)), at(set, setAxis))
		g.to(m, g.every(of(pickup, pickupMoment+1)), at(set, setAxis+1))
		g.to(m, g.every(of(pickup, pickupMoment+2)), at(set, setAxis+2))
		g.VMOVUPD(m, mn)
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
		g.VMOVUPD(q[k], w[k])
	}
	ss := g.dot(q, [3]operand.Op{q[0], q[1], q[2]})
	along := g.mul(g.every(of(pickup, pickupMoment)), q[0])
	g.to(along, g.every(of(pickup, pickupMoment+1)), q[1])
	g.to(along, g.every(of(pickup, pickupMoment+2)), q[2])
	g.VMOVUPD(along, mw)

	jet := r.jet(4, ss, z, at(set, setA2), at(set, setA2x4), at(set, setF))
	bz, gg, hh, gz := jet[0], jet[1], jet[2], jet[3]

	// n·B, B and ∇(n·B) for the moment n.
	mwr, mnr := g.load(mw), g.load(mn)
	flux := g.mul(bz, mnr)
	g.to(flux, gg, mwr)
	byW := g.mul(hh, mwr) // what multiplies w in the gradient
	g.to(byW, gz, mnr)
	byN := g.mul(gz, mwr) // and the loop's axis
	k3 := g.mul(hh, r.s)
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
	g.VMOVUPD(total, value)
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
