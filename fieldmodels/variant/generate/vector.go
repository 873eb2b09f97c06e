package main

import (
	"fmt"
	"math"

	"github.com/mmcloughlin/avo/build"
	"github.com/mmcloughlin/avo/operand"
	"github.com/mmcloughlin/avo/reg"
)

// lanes of float64 lie side by side in memory, whatever the width of a vector.
const lanes = 8

// vector emits code for vectors of one width.
type vector struct {
	*build.Context
	width int // of float64: 4 for AVX2, 8 for AVX-512
	slots operand.Mem
	used  int
	numbers
}

// begin begins a function for one width, with room for as many vectors on the stack.
func begin(c *build.Context, name, doc, signature string, width, slots int, n numbers) *vector {
	c.Function(name)
	c.Doc(doc)
	c.SignatureExpr(signature)
	g := &vector{Context: c, width: width, numbers: n}
	if slots > 0 {
		g.slots = c.AllocLocal(slots * 8 * width)
	}
	return g
}

// reg is a register for a vector.
func (g *vector) reg() reg.VecVirtual {
	if g.width == 4 {
		return g.YMM()
	}
	return g.ZMM()
}

// registers is how many vectors there is room for.
func (g *vector) registers() int {
	if g.width == 4 {
		return 16
	}
	return 32
}

// zero is a vector of zeros.
func (g *vector) zero() reg.VecVirtual {
	r := g.reg()
	g.clear(r)
	return r
}

func (g *vector) clear(r reg.VecVirtual) {
	if g.width == 4 {
		g.VXORPD(r, r, r)
	} else {
		g.VPXORQ(r, r, r)
	}
}

// slot is a place on the stack for a vector.
func (g *vector) slot() operand.Mem {
	m := g.slots.Offset(g.used * 8 * g.width)
	g.used++
	return m
}

func (g *vector) load(m operand.Op) reg.VecVirtual {
	r := g.reg()
	g.VMOVUPD(m, r)
	return r
}

func (g *vector) move(from, to reg.VecVirtual) { g.VMOVUPD(from, to) }

func (g *vector) store(r reg.VecVirtual, m operand.Op) { g.VMOVUPD(r, m) }

// every is one number in every lane.
func (g *vector) every(m operand.Mem) reg.VecVirtual {
	r := g.reg()
	g.VBROADCASTSD(m, r)
	return r
}

// everyArgument is a number that the function is called with in every lane.
func (g *vector) everyArgument(name string) reg.VecVirtual {
	c, err := g.Param(name).Resolve()
	if err != nil {
		panic(err)
	}
	return g.every(c.Addr)
}

// Three operands, in the order of the formula: a op b.

func (g *vector) add(a reg.VecVirtual, b operand.Op) reg.VecVirtual {
	r := g.reg()
	g.VADDPD(b, a, r)
	return r
}

func (g *vector) sub(a reg.VecVirtual, b operand.Op) reg.VecVirtual {
	r := g.reg()
	g.VSUBPD(b, a, r)
	return r
}

func (g *vector) mul(a reg.VecVirtual, b operand.Op) reg.VecVirtual {
	r := g.reg()
	g.VMULPD(b, a, r)
	return r
}

func (g *vector) div(a reg.VecVirtual, b operand.Op) reg.VecVirtual {
	r := g.reg()
	g.VDIVPD(b, a, r)
	return r
}

func (g *vector) sqrt(a operand.Op) reg.VecVirtual {
	r := g.reg()
	g.VSQRTPD(a, r)
	return r
}

// inverseRoot is 1/√x, to rounding: four at a time divide while other units multiply;
// for eight, an estimate to 2⁻¹⁴ and two Newton steps r·(3/2 − x·r²/2) are faster.
func (g *vector) inverseRoot(x reg.VecVirtual) reg.VecVirtual {
	if g.width == 4 {
		return g.div(g.load(g.number(1)), g.sqrt(x))
	}
	r := g.reg()
	g.VRSQRT14PD(x, r)
	half, threeHalves := g.mul(x, g.number(0.5)), g.load(g.number(1.5))
	for range 2 {
		s := g.mul(r, r)
		g.VFNMADD213PD(threeHalves, half, s)
		r = g.mul(r, s)
	}
	return r
}

// rootNumbers are what inverseRoot needs.
var rootNumbers = []float64{0.5, 1, 1.5}

// to adds a·b to r, less takes it off.
func (g *vector) to(r, a reg.VecVirtual, b operand.Op)   { g.VFMADD231PD(b, a, r) }
func (g *vector) less(r, a reg.VecVirtual, b operand.Op) { g.VFNMADD231PD(b, a, r) }

// horner makes r = r·a + b.
func (g *vector) horner(r, a reg.VecVirtual, b operand.Op) { g.VFMADD213PD(b, a, r) }

// dot is a·b of three components each.
func (g *vector) dot(a [3]reg.VecVirtual, b [3]operand.Op) reg.VecVirtual {
	r := g.mul(a[0], b[0])
	g.to(r, a[1], b[1])
	g.to(r, a[2], b[2])
	return r
}

// total is the sum of all lanes, in the first one.
func (g *vector) total(r reg.VecVirtual) reg.VecVirtual {
	if g.width == 8 {
		upper := g.YMM()
		g.VEXTRACTF64X4(operand.Imm(1), r, upper)
		g.VADDPD(upper, r.AsY(), upper)
		r = upper
	}
	upper := g.XMM()
	g.VEXTRACTF128(operand.Imm(1), r.AsY(), upper)
	g.VADDPD(upper, r.AsX(), upper)
	g.VHADDPD(upper, upper, upper)
	return upper
}

// anyAbove jumps to label if a lane of r is above a limit; NaN is not.
func (g *vector) anyAbove(r reg.VecVirtual, limit operand.Op, label string) {
	const greater = 0x1e // GT_OQ
	if g.width == 4 {
		mask, bits := g.reg(), g.GP32()
		g.VCMPPD(operand.Imm(greater), limit, r, mask)
		g.VMOVMSKPD(mask, bits)
		g.TESTL(bits, bits)
	} else {
		mask := g.K()
		g.VCMPPD(operand.Imm(greater), limit, r, mask)
		g.KORTESTB(mask, mask)
	}
	g.JNZ(operand.LabelRef(label))
}

// numbers are constants, each in every lane, by what they are.
type numbers map[float64]operand.Mem

// constants lays out the constants of a file under a name.
func constants(c *build.Context, name string, values ...float64) numbers {
	all := numbers{}
	for i, v := range values {
		m := c.StaticGlobal(fmt.Sprintf("%s%d", name, i))
		c.DataAttributes(build.RODATA | build.NOPTR)
		for k := range lanes {
			c.AddDatum(8*k, operand.U64(math.Float64bits(v)))
		}
		all[v] = m
	}
	return all
}

// number is a constant of the file.
func (n numbers) number(v float64) operand.Mem {
	m, ok := n[v]
	if !ok {
		panic(fmt.Sprintf("the constant %v is not laid out", v))
	}
	return m
}
