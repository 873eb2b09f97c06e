package main

import (
	"fmt"

	"github.com/mmcloughlin/avo/build"
	"github.com/mmcloughlin/avo/operand"
	"github.com/mmcloughlin/avo/reg"
)

// fold is a loop that adds mirrored samples and takes them off each other: counts of
// 16 bits or numbers of 64, to numbers of 32 or 64, sums and differences side by side. It
// takes a set of channels at a time, all places of them before the next set.
type fold struct {
	*vector
	from, to, set int
	begin         [3]reg.GPVirtual // of the set: results, samples, mirrored samples
	at            [3]reg.GPVirtual // of a place
	sets          reg.GPVirtual    // that are left, or channels of wide vectors
	places        reg.GPVirtual    // that are left
	dstStep, step reg.GPVirtual
}

// folds writes foldGo of multitone. Narrow vectors take whole sets of four channels, wide
// ones any number: masks keep loads and stores within the channels that are there.
func folds(c *build.Context) {
	pairs := places(c, "foldPairs", 0, 1|1<<32, 2|2<<32, 3|3<<32)
	signs := places(c, "foldSigns", 0xffff000100010001)
	for _, from := range []int{16, 64} {
		for _, to := range []int{32, 64} {
			foldSets(c, from, to, pairs, signs)
			foldLine(c, from, to, pairs, signs)
		}
	}
	o64 := orders{places(c, "foldLow64", 0, 8, 1, 9, 2, 10, 3, 11), places(c, "foldHigh64", 4, 12, 5, 13, 6, 14, 7, 15)}
	// Two places of 32 bits a number: the second one is its upper half.
	in32 := func(name string, at func(k uint64) uint64) operand.Mem {
		var values []uint64
		for k := uint64(0); k < 16; k += 2 {
			values = append(values, at(k)|at(k+1)<<32)
		}
		return places(c, name, values...)
	}
	o32 := orders{in32("foldLow32", func(k uint64) uint64 { return k/2 + k%2*16 }), in32("foldHigh32", func(k uint64) uint64 { return 8 + k/2 + k%2*16 })}
	foldCounts(c, o32, in32("foldReverse32", func(k uint64) uint64 { return 15 - k }))
	for _, from := range []int{16, 64} {
		foldDoubles(c, from, o64)
	}
	foldFloats(c, o32, places(c, "foldReverse64", 7, 6, 5, 4, 3, 2, 1, 0))
}

// sampleType is Go's name of a sample of so many bits.
var sampleType = map[int]string{16: "int16", 64: "float64"}

// newFold begins a function that takes a set of channels each time.
func newFold(c *build.Context, from, to, width, set int) *fold {
	sets, level, doc := "quads", "AVX2", "foldGo for 4·quads channels"
	if width == 8 {
		sets, level, doc = "channels", "AVX512", "foldGo"
	}
	name := fmt.Sprintf("fold%df%d%s", from, to, level)
	g := begin(c, name, fmt.Sprintf(`%s is %s and n places: dstStep bytes apart in the
results, step bytes in the samples.`, name, doc),
		fmt.Sprintf("func(dst *float%d, up, down *%s, n, %s int, dstStep, step uintptr)", to, sampleType[from], sets), width, 0, nil)
	a := g.all("dst", "up", "down", sets, "dstStep", "step")
	f := &fold{vector: g, from: from, to: to, set: set, begin: [3]reg.GPVirtual(a[:3]), sets: a[3], dstStep: a[4], step: a[5], places: g.GP64()}
	for i := range f.at {
		f.at[i] = g.GP64()
	}
	return f
}

// Of a place.
func (f *fold) result() operand.Mem { return pointer(f.at[0]) }
func (f *fold) up() operand.Mem     { return pointer(f.at[1]) }
func (f *fold) down() operand.Mem   { return pointer(f.at[2]) }

// start goes to the first place of a set.
func (f *fold) start() {
	f.Load(f.Param("n"), f.places)
	for i := range f.at {
		f.MOVQ(f.begin[i], f.at[i])
	}
}

// again goes to the next place, and to label if there is one.
func (f *fold) again(label string) {
	f.ADDQ(f.dstStep, f.at[0])
	f.ADDQ(f.step, f.at[1])
	f.SUBQ(f.step, f.at[2])
	f.DECQ(f.places)
	f.JNZ(operand.LabelRef(label))
}

// ahead goes so many places on that follow each other without a gap.
func (f *fold) ahead(places, channels int) {
	f.ADDQ(operand.U32(uint32(places*channels*2*f.to/8)), f.at[0])
	f.ADDQ(operand.U32(uint32(places*channels*f.from/8)), f.at[1])
	f.SUBQ(operand.U32(uint32(places*channels*f.from/8)), f.at[2])
	f.SUBQ(operand.U32(uint32(places)), f.places)
}

// next goes to the next set, and to label if there is one.
func (f *fold) next(label string) {
	f.ADDQ(operand.U32(uint32(f.set*2*f.to/8)), f.begin[0])
	f.ADDQ(operand.U32(uint32(f.set*f.from/8)), f.begin[1])
	f.ADDQ(operand.U32(uint32(f.set*f.from/8)), f.begin[2])
	if f.width == 4 {
		f.DECQ(f.sets)
		f.JNZ(operand.LabelRef(label))
	} else {
		f.SUBQ(operand.U32(uint32(f.set)), f.sets)
		f.JG(operand.LabelRef(label))
	}
}

func (f *fold) end() {
	f.VZEROUPPER()
	f.RET()
}

// foldSets writes one for AVX2.
func foldSets(c *build.Context, from, to int, pairs, signs operand.Mem) {
	f := newFold(c, from, to, 4, 4)
	four := f.fours(pairs, signs, false)
	f.Label("set")
	f.start()
	f.Label("place")
	four()
	f.again("place")
	f.next("set")
	f.end()
}

// foldLine writes that of one channel for AVX2, whose successive places are what channels
// are to the others.
func foldLine(c *build.Context, from, to int, pairs, signs operand.Mem) {
	name := fmt.Sprintf("foldLine%df%dAVX2", from, to)
	g := begin(c, name, name+" is foldGo for 4·quads places of one channel.",
		fmt.Sprintf("func(dst *float%d, up, down *%s, quads int)", to, sampleType[from]), 4, 0, nil)
	f := &fold{vector: g, from: from, to: to, set: 4, at: [3]reg.GPVirtual(g.all("dst", "up", "down")), places: g.GP64()}
	f.Load(f.Param("quads"), f.places)
	f.SHLQ(operand.Imm(2), f.places)
	four := f.fours(pairs, signs, true)
	f.Label("quad")
	four()
	f.ahead(4, 1)
	f.JNZ(operand.LabelRef("quad"))
	f.end()
}

// fours returns what folds four samples with four others, which lie in the opposite order
// and end with the first one's partner where backwards.
func (f *fold) fours(pairs, signs operand.Mem, backwards bool) (four func()) {
	const opposite = 0x1b // 3, 2, 1, 0
	down := f.down()
	if backwards {
		down = down.Offset(-3 * f.from / 8)
	}
	if f.from == 64 {
		return func() {
			x, y := f.load(f.up()), f.load(down)
			if backwards {
				f.VPERMPD(operand.Imm(opposite), y, y)
			}
			sum, difference := f.add(x, y), f.sub(x, y)
			if f.to == 64 {
				f.interleave(sum, difference, f.result(), orders{})
				return
			}
			low, high := f.XMM(), f.XMM()
			f.VCVTPD2PSY(sum, sum.AsX())
			f.VCVTPD2PSY(difference, difference.AsX())
			f.VUNPCKLPS(difference.AsX(), sum.AsX(), low)
			f.VUNPCKHPS(difference.AsX(), sum.AsX(), high)
			f.VMOVUPS(low, f.result())
			f.VMOVUPS(high, f.result().Offset(16))
		}
	}
	order, sign := f.reg(), f.reg()
	f.VMOVDQU(pairs, order)
	f.VPBROADCASTQ(signs, sign)
	return func() {
		// A count and its partner twice each, side by side, times 1 and 1 and 1 and −1,
		// are their sum and their difference.
		x, y := f.XMM(), f.XMM()
		f.VMOVQ(f.up(), x)
		f.VMOVQ(down, y)
		if backwards {
			f.VPSHUFLW(operand.Imm(opposite), y, y)
		}
		f.VPUNPCKLWD(y, x, x)
		both := f.reg()
		f.VPERMD(x.AsY(), order, both)
		f.VPMADDWD(sign, both, both)
		if f.to == 32 {
			f.VCVTDQ2PS(both, both)
			f.VMOVUPS(both, f.result())
			return
		}
		upper, low, high := f.XMM(), f.reg(), f.reg()
		f.VEXTRACTI128(operand.Imm(1), both, upper)
		f.VCVTDQ2PD(both.AsX(), low)
		f.VCVTDQ2PD(upper, high)
		f.store(low, f.result())
		f.store(high, f.result().Offset(32))
	}
}

// masks are of the samples of a set, and of its results in two vectors.
func (f *fold) masks() (samples, low, high reg.Register) {
	bits := f.GP64()
	ones := func() reg.Register {
		k := f.K()
		f.MOVQ(operand.U32(1), bits)
		f.SHLQ(reg.CL, bits)
		f.DECQ(bits)
		f.KMOVW(bits.As32(), k)
		return k
	}
	f.MOVQ(operand.U32(uint32(f.set)), reg.RCX)
	f.CMPQ(f.sets, reg.RCX)
	f.CMOVQLT(f.sets, reg.RCX)
	samples = ones()
	f.ADDQ(reg.RCX, reg.RCX)
	low = ones()
	upper := f.K()
	f.SHRQ(operand.Imm(uint64(f.set)), bits)
	f.KMOVW(bits.As32(), upper)
	return samples, low, upper
}

func (f *fold) order(m operand.Mem) reg.VecVirtual {
	r := f.reg()
	f.VMOVDQU64(m, r)
	return r
}

// counts are those of a place as whole numbers.
func (f *fold) counts(mask reg.Register, x, y reg.Register) {
	f.VPMOVSXWD_Z(f.up(), mask, x)
	f.VPMOVSXWD_Z(f.down(), mask, y)
}

// foldDoubles writes one to float64 for AVX-512.
func foldDoubles(c *build.Context, from int, o orders) {
	f := newFold(c, from, 64, 8, 8)
	low, high := f.order(o.low), f.order(o.high)
	f.Label("set")
	some, first, second := f.masks()
	f.start()
	f.Label("place")
	var sum, difference reg.VecVirtual
	if from == 16 {
		x, y, s, d := f.YMM(), f.YMM(), f.YMM(), f.YMM()
		f.counts(some, x, y)
		f.VPADDD(y, x, s)
		f.VPSUBD(y, x, d)
		sum, difference = f.reg(), f.reg()
		f.VCVTDQ2PD(s, sum)
		f.VCVTDQ2PD(d, difference)
	} else {
		x, y := f.reg(), f.reg()
		f.VMOVUPD_Z(f.up(), some, x)
		f.VMOVUPD_Z(f.down(), some, y)
		sum, difference = f.add(x, y), f.sub(x, y)
	}
	upper := f.reg()
	f.VMOVAPD(sum, upper)
	f.VPERMT2PD(difference, low, sum)
	f.VPERMT2PD(difference, high, upper)
	f.VMOVUPD(sum, first, f.result())
	f.VMOVUPD(upper, second, f.result().Offset(64))
	f.again("place")
	f.next("set")
	f.end()
}

// foldFloats writes that of float64 to float32 for AVX-512; of one channel it takes eight
// places at a time.
func foldFloats(c *build.Context, o orders, reversed operand.Mem) {
	f := newFold(c, 64, 32, 8, 8)
	low, reverse := f.order(o.low), f.order(reversed)
	both := func(x, y reg.VecVirtual) reg.VecVirtual {
		sum, difference := f.add(x, y), f.sub(x, y)
		f.VCVTPD2PS(sum, sum.AsY())
		f.VCVTPD2PS(difference, difference.AsY())
		f.VPERMT2PS(difference, low, sum)
		return sum
	}
	f.Label("set")
	some, first, _ := f.masks()
	f.start()
	channels := f.GP64()
	f.Load(f.Param("channels"), channels)
	f.CMPQ(channels, operand.Imm(1))
	f.JNE(operand.LabelRef("place"))
	f.Label("eight")
	f.CMPQ(f.places, operand.Imm(8))
	f.JLT(operand.LabelRef("rest"))
	x, y := f.load(f.up()), f.load(f.down().Offset(-56))
	f.VPERMPD(y, reverse, y)
	f.VMOVUPS(both(x, y), f.result())
	f.ahead(8, 1)
	f.JMP(operand.LabelRef("eight"))
	f.Label("rest")
	f.TESTQ(f.places, f.places)
	f.JEQ(operand.LabelRef("done"))
	f.Label("place")
	x, y = f.reg(), f.reg()
	f.VMOVUPD_Z(f.up(), some, x)
	f.VMOVUPD_Z(f.down(), some, y)
	f.VMOVUPS(both(x, y), first, f.result())
	f.again("place")
	f.next("set")
	f.Label("done")
	f.end()
}

// foldCounts writes that of counts to float32 for AVX-512; of four channels it takes
// four places at a time, of one sixteen.
func foldCounts(c *build.Context, o orders, reversed operand.Mem) {
	f := newFold(c, 16, 32, 8, 16)
	low, high := f.order(o.low), f.order(o.high)
	both := func(x, y reg.VecVirtual) (first, second reg.VecVirtual) {
		first, difference, second := f.reg(), f.reg(), f.reg()
		f.VPADDD(y, x, first)
		f.VPSUBD(y, x, difference)
		f.VCVTDQ2PS(first, first)
		f.VCVTDQ2PS(difference, difference)
		f.VMOVAPS(first, second)
		f.VPERMT2PS(difference, low, first)
		f.VPERMT2PS(difference, high, second)
		return first, second
	}
	f.Label("set")
	some, first, second := f.masks()
	f.start()
	f.CMPQ(f.sets, operand.Imm(8))
	f.JLE(operand.LabelRef("narrow"))
	f.Label("wide")
	x, y := f.reg(), f.reg()
	f.counts(some, x, y)
	a, b := both(x, y)
	f.VMOVUPS(a, f.result())
	f.VMOVUPS(b, second, f.result().Offset(64))
	f.again("wide")
	f.next("set")
	f.end()

	f.Label("narrow") // the last eight or fewer
	channels := f.GP64()
	f.Load(f.Param("channels"), channels)
	f.CMPQ(channels, operand.Imm(1))
	f.JEQ(operand.LabelRef("single"))
	f.CMPQ(channels, operand.Imm(4))
	f.JNE(operand.LabelRef("place"))

	sixteen := func(places int, label string, mirrored func() reg.VecVirtual) {
		f.CMPQ(f.places, operand.Imm(uint64(places)))
		f.JLT(operand.LabelRef("rest"))
		x, y := f.reg(), mirrored()
		f.VPMOVSXWD(f.up(), x)
		a, b := both(x, y)
		f.VMOVUPS(a, f.result())
		f.VMOVUPS(b, f.result().Offset(64))
		f.ahead(places, 16/places)
		f.JMP(operand.LabelRef(label))
	}
	f.Label("four")
	f.PREFETCHT0(f.up().Offset(512)) // a run on
	f.PREFETCHT0(f.down().Offset(-512))
	sixteen(4, "four", func() reg.VecVirtual {
		turned, y := f.YMM(), f.reg()
		f.VPERMQ(operand.Imm(0x1b), f.down().Offset(-24), turned)
		f.VPMOVSXWD(turned, y)
		return y
	})
	f.Label("single")
	reverse := f.order(reversed)
	f.Label("sixteen")
	sixteen(16, "sixteen", func() reg.VecVirtual {
		y := f.reg()
		f.VPMOVSXWD(f.down().Offset(-30), y)
		f.VPERMD(y, reverse, y)
		return y
	})
	f.Label("rest")
	f.TESTQ(f.places, f.places)
	f.JEQ(operand.LabelRef("done"))
	f.Label("place")
	x, y = f.reg(), f.reg()
	f.counts(some, x, y)
	sum, difference := f.reg(), f.reg()
	f.VPADDD(y, x, sum)
	f.VPSUBD(y, x, difference)
	f.VPERMT2D(difference, low, sum)
	f.VCVTDQ2PS(sum, sum)
	f.VMOVUPS(sum, first, f.result())
	f.again("place")
	f.Label("done")
	f.end()
}
