package main

import (
	"github.com/mmcloughlin/avo/build"
	"github.com/mmcloughlin/avo/operand"
	"github.com/mmcloughlin/avo/reg"
)

// Four channels of a kernel.Stream: numbers of them side by side in rows of spread and
// in each moment of a state, and how many stages the loops take them through.
const (
	fourBytes    = 4 * 16
	streamStages = 4
)

// stream writes the loops of multitone's Stream and of its LaneReferral.
func stream(c *build.Context) {
	n := constants(c, "stream", rootNumbers...)
	o := orders{places(c, "streamLow", 0, 8, 1, 9, 2, 10, 3, 11), places(c, "streamHigh", 4, 12, 5, 13, 6, 14, 7, 15)}
	for _, w := range []struct {
		suffix string
		width  int
	}{{"AVX2", 4}, {"AVX512", 8}} {
		spreadCounts(c, "spread"+w.suffix, w.width)
		mix := func(name string, fours int, v mixing) {
			mixStages(c, name+w.suffix, w.width, fours, v)
		}
		if w.width == 4 {
			mix("mix", 1, mixing{})
			mix("mixTurn", 1, mixing{turns: true})
			mix("mixRefer", 1, mixing{turns: true, keeps: true})
		} else {
			mix("mixThree", 3, mixing{part: true})
			mix("mixReferThree", 3, mixing{turns: true, keeps: true, part: true})
		}
		mix("mixPart", 1, mixing{part: true})
		mix("mixReferPart", 1, mixing{turns: true, keeps: true, part: true})
		mixReferences(c, "references"+w.suffix, w.width, n, o)
		turnsOf(c, "turns"+w.suffix, w.width, n, o)
		turnLanes(c, "turnLanes"+w.suffix, w.width)
	}
}

// places lays out whole numbers.
func places(c *build.Context, name string, values ...uint64) operand.Mem {
	m := c.StaticGlobal(name)
	c.DataAttributes(build.RODATA | build.NOPTR)
	for i, v := range values {
		c.AddDatum(8*i, operand.U64(v))
	}
	return m
}

func pointer(p reg.Register) operand.Mem { return operand.Mem{Base: p} }

// all loads arguments by their names.
func (g *vector) all(names ...string) (r []reg.GPVirtual) {
	for _, name := range names {
		v := g.GP64()
		g.Load(g.Param(name), v)
		r = append(r, v)
	}
	return r
}

func (g *vector) advance(p, step reg.Register) { g.ADDQ(step, p) }

// spreadCounts writes n samples of four channels each time, every one twice, times gain.
func spreadCounts(c *build.Context, name string, width int) {
	g := begin(c, name, name+` writes n samples of 4·fours channels twice each, times gain; samples are
step bytes apart. It reads four counts each time.`, "func(dst *float64, x *int16, gain *float64, n, fours int, step uintptr)", width, 0, nil)
	a := g.all("dst", "x", "gain", "n", "fours", "step")
	dst, x, gain, n, fours, step := a[0], a[1], a[2], a[3], a[4], a[5]
	from, by, left := g.GP64(), g.GP64(), g.GP64()
	var order reg.VecVirtual
	if width == 8 {
		order = g.reg()
		g.VMOVDQU64(places(c, "streamTwice", 0, 0, 1, 1, 2, 2, 3, 3), order)
	}
	g.Label("sample")
	g.MOVQ(x, from)
	g.MOVQ(gain, by)
	g.MOVQ(fours, left)
	g.Label("four")
	whole, four := g.XMM(), g.YMM()
	g.VPMOVSXWD(pointer(from), whole)
	g.VCVTDQ2PD(whole, four)
	if width == 4 {
		for half, order := range []uint8{0x50, 0xfa} { // 0 0 1 1 and 2 2 3 3
			r := g.reg()
			g.VPERMPD(operand.Imm(uint64(order)), four, r)
			g.store(g.mul(r, pointer(by).Offset(32*half)), pointer(dst).Offset(32*half))
		}
	} else {
		r := g.reg()
		g.VPERMPD(four.AsZ(), order, r)
		g.store(g.mul(r, pointer(by)), pointer(dst))
	}
	g.ADDQ(operand.U32(8), from)
	g.ADDQ(operand.U32(fourBytes), by)
	g.ADDQ(operand.U32(fourBytes), dst)
	g.DECQ(left)
	g.JNZ(operand.LabelRef("four"))
	g.advance(x, step)
	g.DECQ(n)
	g.JNZ(operand.LabelRef("sample"))
	g.VZEROUPPER()
	g.RET()
}

// mixing says what is done to outputs: turned, some numbers of them left 0, and of the
// last four channels a part stored.
type mixing struct{ turns, keeps, part bool }

// mixStages filters one tone of some fours of channels.
func mixStages(c *build.Context, name string, width, fours int, v mixing) {
	doc := name + ` filters one tone of channels by four stages: states are multiplied by
turn first; samples are spreadStep bytes apart, outputs outStep.`
	signature := "out, state, carrier *complex128, spread *float64, n int, outStep, spreadStep uintptr, turn *complex128, mask *uint64, turns *float64, turnsStep uintptr, keep *uint64"
	if v.part {
		doc += ` Of the last four channels
only the numbers (halves of complex ones) in mask are stored.`
	}
	if v.turns {
		doc += ` Outputs are
multiplied by turns, turnsStep bytes apart with the imaginary part 64 bytes on.`
	}
	if v.keeps {
		doc += ` They are 0
where they are not in keep.`
	}
	g := begin(c, name, doc, "func("+signature+")", width, 0, nil)
	parts := fours * lanes / width
	a := g.all("out", "state", "carrier", "spread", "n", "outStep", "spreadStep", "turn")
	out, state, carrier, spread, n, outStep, spreadStep, turn := a[0], a[1], a[2], a[3], a[4], a[5], a[6], a[7]
	masks := func(name string) (c []chosen) {
		p := g.Load(g.Param(name), g.GP64())
		for i := range parts {
			c = append(c, g.choose(pointer(p).Offset(8*width*i)))
		}
		return c
	}
	mask, keep := make([]chosen, parts), make([]chosen, parts)
	last := parts - lanes/width // the first of the last four's
	if v.part {
		p := g.Load(g.Param("mask"), g.GP64())
		for i := last; i < parts; i++ {
			mask[i] = g.choose(pointer(p).Offset(8 * width * (i - last)))
		}
	}
	var turns, turnsStep, keeping reg.GPVirtual
	if v.turns {
		b := g.all("turns", "turnsStep")
		turns, turnsStep = b[0], b[1]
	}
	switch {
	case v.keeps && width == 8:
		keep = masks("keep")
	case v.keeps:
		keeping = g.Load(g.Param("keep"), g.GP64()).(reg.GPVirtual)
	}
	// A four's moments lie side by side, and so do the fours.
	at := func(p, j int) operand.Mem {
		per := lanes / width
		return pointer(state).Offset(p/per*streamStages*fourBytes + j*fourBytes + p%per*8*width)
	}
	y := make([][streamStages]reg.VecVirtual, parts)
	re, im := g.every(pointer(turn)), g.every(pointer(turn).Offset(8))
	for p := range parts {
		for j := range streamStages {
			y[p][j] = g.turned(g.load(at(p, j)), re, im)
		}
	}
	g.Label("sample")
	o := g.pair(pointer(carrier))
	if v.turns {
		re, im = g.every(pointer(turns)), g.every(pointer(turns).Offset(groupBytes/2))
		g.advance(turns, turnsStep)
	}
	for p := range parts {
		g.to(y[p][0], o, pointer(spread).Offset(8*width*p))
		for j := 1; j < streamStages; j++ {
			g.VADDPD(y[p][j-1], y[p][j], y[p][j])
		}
	}
	results := make([]reg.VecVirtual, parts)
	for p := range parts {
		results[p] = y[p][streamStages-1]
		if !v.turns {
			continue
		}
		r := g.mul(g.exchanged(results[p]), im)
		if width == 4 {
			g.VFMADDSUB231PD(re, results[p], r)
			if v.keeps {
				g.VANDPD(pointer(keeping).Offset(8*width*p), r, r)
			}
		} else {
			g.VFMADDSUB231PD_Z(re, results[p], keep[p].k, r)
		}
		results[p] = r
	}
	for p, r := range results {
		if m := pointer(out).Offset(8 * width * p); v.part && p >= last {
			g.storeSome(r, mask[p], m)
		} else {
			g.store(r, m)
		}
	}
	g.ADDQ(operand.U32(16), carrier)
	g.advance(spread, spreadStep)
	g.advance(out, outStep)
	g.DECQ(n)
	g.JNZ(operand.LabelRef("sample"))
	for p := range parts {
		for j := range streamStages {
			g.store(y[p][j], at(p, j))
		}
	}
	g.VZEROUPPER()
	g.RET()
}

// referTo writes references re + j·im times what stands at ahead, and returns them
// conjugate over their sizes, times decay; where the size is 0, decay.
func (g *vector) referTo(re, im reg.VecVirtual, ahead, references, decay operand.Mem, o orders) (turnRe, turnIm reg.VecVirtual) {
	ar, ai := g.load(ahead), g.load(ahead.Offset(groupBytes/2))
	r, i := g.product(re, im, ar, ai)
	g.interleave(r, i, references, o)
	power := g.mul(re, re)
	g.to(power, im, im)
	size, nothing, gain := g.inverseRoot(power), g.reg(), g.every(decay)
	size = g.mul(size, gain)
	turnRe, turnIm = g.mul(re, size), g.mul(im, size)
	if g.width == 4 {
		g.VXORPD(nothing, nothing, nothing)
		g.VSUBPD(turnIm, nothing, turnIm)
		none := g.reg()
		g.VCMPPD(operand.Imm(0), nothing, power, none)
		g.VBLENDVPD(none, gain, turnRe, turnRe)
		g.VANDNPD(turnIm, none, turnIm)
		return turnRe, turnIm
	}
	g.VPXORQ(nothing, nothing, nothing)
	g.VSUBPD(turnIm, nothing, turnIm)
	none := g.K()
	g.VCMPPD(operand.Imm(0), nothing, power, none)
	g.VMOVAPD(gain, none, turnRe)
	g.VMOVAPD(nothing, none, turnIm)
	return turnRe, turnIm
}

// mixReferences filters the references of eight tones, part by part.
func mixReferences(c *build.Context, name string, width int, n numbers, o orders) {
	g := begin(c, name, name+` filters the references of eight tones over n samples from the states as they
are. It writes the references times ahead, and the turns: conjugate references over
their sizes, times decay, eight real parts and eight imaginary ones. These all are step
bytes apart, as the carriers; samples spreadStep. offsets are three by eight: of states,
of samples, of turn.`, "func(turns *float64, references, state, turn *complex128, offsets *int64, spread, carrier, ahead, decay *float64, n int, spreadStep, step uintptr)", width, 0, n)
	for part := range lanes / width {
		label := func(name string) string {
			if part > 0 {
				return name + "2"
			}
			return name
		}
		by := func(p reg.Register) operand.Mem { return pointer(p).Offset(8 * width * part) }
		a := g.all("state", "turn", "offsets")
		state, turn, offsets := a[0], a[1], a[2]
		place := func(i int) reg.VecVirtual {
			r := g.reg()
			m := by(offsets).Offset(8 * lanes * i)
			if width == 4 {
				g.VMOVDQU(m, r)
			} else {
				g.VMOVDQU64(m, r)
			}
			return r
		}
		at := place(2)
		tr, ti := g.gather(pointer(turn), at), g.gather(pointer(turn).Offset(8), at)
		at = place(0)
		var re, im [streamStages]reg.VecVirtual
		for j := range streamStages {
			m := pointer(state).Offset(fourBytes * j)
			re[j], im[j] = g.product(tr, ti, g.gather(m, at), g.gather(m.Offset(8), at))
		}
		// Tones that share a reference need no gathering.
		at = place(1)
		first := g.GP64()
		g.MOVQ(by(offsets).Offset(8*lanes), first)
		same := g.reg()
		b := g.all("turns", "references", "spread", "carrier", "ahead", "decay", "n", "spreadStep", "step")
		turns, references, spread, carrier, ahead, decay, count, spreadStep, step := b[0], b[1], b[2], b[3], b[4], b[5], b[6], b[7], b[8]
		g.VPBROADCASTQ(by(offsets).Offset(8*lanes), same)
		apart := g.GP64()
		g.XORQ(apart, apart)
		g.alike(at, same, label("one"))
		g.INCQ(apart)
		g.Label(label("one"))
		g.Label(label("row"))
		x := g.every(operand.Mem{Base: spread, Index: first, Scale: 1})
		g.TESTQ(apart, apart)
		g.JZ(operand.LabelRef(label("mix")))
		g.move(g.gather(pointer(spread), at), x)
		g.Label(label("mix"))
		g.to(re[0], x, by(carrier))
		g.to(im[0], x, by(carrier).Offset(groupBytes/2))
		for j := 1; j < streamStages; j++ {
			g.VADDPD(re[j-1], re[j], re[j])
			g.VADDPD(im[j-1], im[j], im[j])
		}
		turnRe, turnIm := g.referTo(re[streamStages-1], im[streamStages-1], by(ahead), pointer(references).Offset(16*width*part), pointer(decay), o)
		g.store(turnRe, by(turns))
		g.store(turnIm, by(turns).Offset(groupBytes/2))
		g.advance(spread, spreadStep)
		for _, p := range []reg.Register{carrier, ahead, references, turns} {
			g.advance(p, step)
		}
		g.ADDQ(operand.U32(8), decay)
		g.DECQ(count)
		g.JNZ(operand.LabelRef(label("row")))
	}
	g.VZEROUPPER()
	g.RET()
}

// turnsOf makes the turns of eight tones' references in a row.
func turnsOf(c *build.Context, name string, width int, n numbers, o orders) {
	g := begin(c, name, name+` gathers the references of eight tones from a row, and writes them times
ahead, and the pairs that turn to their phases, times gain.`, "func(turns *float64, references, row *complex128, offsets *int64, ahead, gain *float64)", width, 0, n)
	a := g.all("turns", "references", "row", "offsets", "ahead", "gain")
	turns, references, row, offsets, ahead, gain := a[0], a[1], a[2], a[3], a[4], a[5]
	for part := range lanes / width {
		at := g.reg()
		m := pointer(offsets).Offset(8 * width * part)
		if width == 4 {
			g.VMOVDQU(m, at)
		} else {
			g.VMOVDQU64(m, at)
		}
		re, im := g.gather(pointer(row), at), g.gather(pointer(row).Offset(8), at)
		re, im = g.referTo(re, im, pointer(ahead).Offset(8*width*part), pointer(references).Offset(16*width*part), pointer(gain), o)
		g.interleave(re, im, pointer(turns).Offset(16*width*part), o)
	}
	g.VZEROUPPER()
	g.RET()
}

// turnLanes turns a group of tones and stores it tone by tone.
func turnLanes(c *build.Context, name string, width int) {
	g := begin(c, name, name+` multiplies eight tones of channels many channels by their pairs of turns and
the channels' gains, and stores them tone by tone, outStep bytes apart.`, "func(out, row *complex128, turns, gain *float64, channels int, outStep uintptr)", width, 0, nil)
	a := g.all("out", "row", "turns", "gain", "channels", "outStep")
	out, row, turns, gain, channels, step := a[0], a[1], a[2], a[3], a[4], a[5]
	second, three := g.GP64(), g.GP64()
	g.LEAQ(operand.Mem{Base: step, Index: step, Scale: 2}, three)
	g.LEAQ(operand.Mem{Base: out, Index: step, Scale: 4}, second)
	place := func(tone int) operand.Mem {
		m := operand.Mem{Base: []reg.Register{out, second}[tone/4], Index: step, Scale: uint8(tone % 4)}
		switch tone % 4 {
		case 0:
			m.Index, m.Scale = nil, 0
		case 3:
			m.Index, m.Scale = three, 1
		}
		return m
	}
	parts := 2 * lanes / width
	re, im := make([]reg.VecVirtual, parts), make([]reg.VecVirtual, parts)
	for p := range parts {
		v := g.load(pointer(turns).Offset(8 * width * p))
		re[p], im[p] = g.reg(), g.reg()
		g.VPERMILPD(operand.Imm(0x00), v, re[p])
		g.VPERMILPD(operand.Imm(0xff), v, im[p])
	}
	g.Label("channel")
	volts := g.every(pointer(gain))
	for p := range parts {
		v := g.turned(g.mul(volts, pointer(row).Offset(8*width*p)), re[p], im[p])
		for i := range width / 2 {
			m := place(p*width/2 + i)
			if width == 4 {
				g.VEXTRACTF128(operand.Imm(uint64(i)), v, m)
			} else {
				g.VEXTRACTF64X2(operand.Imm(uint64(i)), v, m)
			}
		}
	}
	g.ADDQ(operand.U32(8), gain)
	g.ADDQ(operand.U32(groupBytes), row)
	g.ADDQ(operand.U32(16), out)
	g.ADDQ(operand.U32(16), second)
	g.DECQ(channels)
	g.JNZ(operand.LabelRef("channel"))
	g.VZEROUPPER()
	g.RET()
}
