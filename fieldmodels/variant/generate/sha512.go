package main

import (
	"github.com/mmcloughlin/avo/build"
	"github.com/mmcloughlin/avo/operand"
	"github.com/mmcloughlin/avo/reg"
)

// sha512 writes blocksGo of multitone's sha512: vectors of four words make the message
// schedule of the rounds to come, while the rounds, of which each waits for the one
// before, go on in scalars. AVX-512 turns and combines words in half the instructions.
func sha512(c *build.Context) {
	swap := c.StaticGlobal("sha512Swap") // most significant byte first
	c.DataAttributes(build.RODATA | build.NOPTR)
	for k := range 4 {
		at := uint64(8 * (k % 2))
		c.AddDatum(8*k, operand.U64(0x0001020304050607+at*0x0101010101010101))
	}
	sha512Blocks(c, "blocksAVX2", false, swap)
	sha512Blocks(c, "blocksAVX512", true, swap)
}

const (
	wordsTogether = 4 // in a vector
	wordVectors   = 4 // of the last sixteen words
	blockBytes    = 128
)

// hashing emits code for one variant.
type hashing struct {
	*vector
	turns bool // AVX-512 is there
	words [wordVectors]reg.VecVirtual
	ready operand.Mem // the sums of words and constants for the next sixteen rounds
	state []reg.GPVirtual
	other reg.GPVirtual // b xor c of the round to come
	room  [3]reg.GPVirtual
}

func sha512Blocks(c *build.Context, name string, turns bool, swap operand.Mem) {
	g := &hashing{vector: begin(c, name, name+" is blocksGo for n blocks, at least one.", "func(state, k *uint64, p *byte, n int)", 4, 0, nil), turns: turns}
	g.ready = g.AllocLocal(blockBytes)
	left, round := g.AllocLocal(8), g.AllocLocal(8)

	n := g.Load(g.Param("n"), g.GP64())
	g.MOVQ(n, left)
	p := g.Load(g.Param("p"), g.GP64())
	k := g.GP64()
	from := g.Load(g.Param("state"), g.GP64())
	for i := range 8 {
		r := g.GP64()
		g.MOVQ(pointer(from).Offset(8*i), r)
		g.state = append(g.state, r)
	}
	order := g.reg()
	g.VMOVDQU(swap, order)
	for i := range g.words {
		g.words[i] = g.reg()
	}
	g.other = g.GP64()
	for i := range g.room {
		g.room[i] = g.GP64()
	}

	g.Label("block")
	g.Load(g.Param("k"), k)
	for i, w := range g.words {
		g.VMOVDQU(pointer(p).Offset(32*i), w)
		g.VPSHUFB(order, w, w)
		g.keep(i, k)
	}
	g.ADDQ(operand.U32(blockBytes), p)
	g.MOVQ(operand.U32(4), round)
	g.MOVQ(g.state[1], g.other)
	g.XORQ(g.state[2], g.other)
	g.Label("rounds")
	g.ADDQ(operand.U32(blockBytes), k)
	for i := range g.words {
		steps := g.schedule(i)
		for r := range wordsTogether {
			part := len(steps) * r / wordsTogether
			g.round(wordsTogether*i+r, steps[part:len(steps)*(r+1)/wordsTogether])
		}
		g.keep(i, k)
	}
	g.DECQ(round)
	g.JNZ(operand.LabelRef("rounds"))
	for i := range 16 {
		g.round(i, nil)
	}
	to := g.Load(g.Param("state"), g.room[0])
	for i, r := range g.state {
		g.ADDQ(pointer(to).Offset(8*i), r)
		g.MOVQ(r, pointer(to).Offset(8*i))
	}
	g.DECQ(left)
	g.JNZ(operand.LabelRef("block"))
	g.VZEROUPPER()
	g.RET()
}

// keep lays the sums of a vector's words and constants out for the rounds.
func (g *hashing) keep(i int, k reg.GPVirtual) {
	sum := g.reg()
	g.VPADDQ(pointer(k).Offset(32*i), g.words[i], sum)
	g.VMOVDQU(sum, g.ready.Offset(32*i))
}

// round emits a round, in which the eight words of the state change their places, with
// the steps of something else between its own.
func (g *hashing) round(i int, steps []func()) {
	s, x, y, ab := g.state, g.room[0], g.room[1], g.room[2]
	a, b, d, e, f, w, h := s[0], s[1], s[3], s[4], s[5], s[6], s[7]
	another := func() {
		if len(steps) > 0 {
			steps[0]()
			steps = steps[1:]
		}
	}
	g.ADDQ(g.ready.Offset(8*i), h)
	g.MOVQ(f, x)
	g.ANDQ(e, x)
	g.ANDNQ(w, e, y) // not e, and g
	another()
	g.ADDQ(x, h)
	g.ADDQ(y, h)
	another()
	g.turned(x, y, e, 14, 18, 41)
	another()
	g.ADDQ(x, h)
	g.ADDQ(h, d)
	another()
	g.MOVQ(a, ab)
	g.XORQ(b, ab)
	g.ANDQ(ab, g.other)
	g.XORQ(b, g.other) // the majority of a, b and c
	another()
	g.ADDQ(g.other, h)
	g.turned(x, y, a, 28, 34, 39)
	another()
	g.ADDQ(x, h)
	for len(steps) > 0 {
		another()
	}
	g.other, g.room[2] = ab, g.other
	g.state = append([]reg.GPVirtual{h}, s[:7]...)
}

// turned is the exclusive or of a word turned to the right three times.
func (g *hashing) turned(to, room, from reg.GPVirtual, first, second, third uint64) {
	g.RORXQ(operand.Imm(first), from, to)
	g.RORXQ(operand.Imm(second), from, room)
	g.XORQ(room, to)
	g.RORXQ(operand.Imm(third), from, room)
	g.XORQ(room, to)
}

// schedule are the steps that make of a vector of words the one sixteen words later:
// w[t] = w[t−16] + σ₀(w[t−15]) + w[t−7] + σ₁(w[t−2]). Two of the four need what the two
// before them become.
func (g *hashing) schedule(i int) (steps []func()) {
	do := func(step func()) { steps = append(steps, step) }
	w := func(k int) reg.VecVirtual { return g.words[(i+k)%wordVectors] }
	now, x, u, v := w(0), g.reg(), g.reg(), g.reg()
	const upperBelow, lowerAbove = 0x81, 0x08 // a half moved to the other place, and zeros
	half := func(which uint64, from reg.VecVirtual) {
		do(func() { g.VPERM2I128(operand.Imm(which), from, from, x) })
		g.mixed(do, x, u, v, 19, 61, 6)
	}
	add := func() { do(func() { g.VPADDQ(x, now, now) }) }
	g.following(do, x, now, w(1))
	g.mixed(do, x, u, v, 1, 8, 7)
	g.following(do, u, w(2), w(3))
	add()
	do(func() { g.VPADDQ(u, now, now) })
	half(upperBelow, w(3))
	add()
	half(lowerAbove, now)
	add()
	return steps
}

// following are the words from the second of one vector to the first of the next.
func (g *hashing) following(do func(func()), to, one, next reg.VecVirtual) {
	if g.turns {
		do(func() { g.VALIGNQ(operand.Imm(1), one, next, to) })
		return
	}
	do(func() { g.VPERM2I128(operand.Imm(0x21), next, one, to) })
	do(func() { g.VPALIGNR(operand.Imm(8), one, to, to) })
}

// mixed replaces words by the exclusive or of themselves turned to the right twice and shifted.
func (g *hashing) mixed(do func(func()), x, u, v reg.VecVirtual, first, second, shift uint64) {
	if g.turns {
		const odd = 0x96 // of three bits
		do(func() { g.VPRORQ(operand.Imm(first), x, u) })
		do(func() { g.VPRORQ(operand.Imm(second), x, v) })
		do(func() { g.VPSRLQ(operand.Imm(shift), x, x) })
		do(func() { g.VPTERNLOGQ(operand.Imm(odd), u, v, x) })
		return
	}
	do(func() { g.VPSRLQ(operand.Imm(shift), x, u) })
	for _, by := range []uint64{first, second} {
		do(func() { g.VPSRLQ(operand.Imm(by), x, v) })
		do(func() { g.VPXOR(v, u, u) })
		do(func() { g.VPSLLQ(operand.Imm(64-by), x, v) })
		if by == second {
			break
		}
		do(func() { g.VPXOR(v, u, u) })
	}
	do(func() { g.VPXOR(v, u, x) })
}
