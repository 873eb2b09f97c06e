package main

import (
	"fmt"
	"math"

	"github.com/mmcloughlin/avo/build"
	"github.com/mmcloughlin/avo/operand"
	"github.com/mmcloughlin/avo/reg"
)

// fourier writes the inner loops of multitone's Fourier transform: quartersGo and oddsGo for
// both widths, and what waits for memory anyway for AVX2.
func fourier(c *build.Context) {
	n := constants(c, "fourier", append([]float64{1}, append(angles(3), angles(5)...)...)...)
	quarters(c, "quartersAVX2", 4, n)
	quarters(c, "quartersAVX512", 8, n)
	for _, radix := range []int{3, 5} {
		odds(c, fmt.Sprintf("odds%dAVX2", radix), 4, radix, n)
		odds(c, fmt.Sprintf("odds%dAVX512", radix), 8, radix, n)
	}
	taperColumns(c)
	turnTiles(c)
	addPowers(c)
}

// rowBytes are of the four complex numbers that lie side by side.
const rowBytes = 8 * lanes

func quarters(c *build.Context, name string, width int, n numbers) {
	g := begin(c, name, name+" is quartersGo.", "func(to, from, turns *complex128, m, s int)", width, 0, n)
	a := g.all("to", "from", "turns", "m")
	to, from, turns, outer := a[0], a[1], a[2], a[3]
	inner, count := g.GP64(), g.GP64()
	quarter, quarter3, stride, stride3 := g.GP64(), g.GP64(), g.GP64(), g.GP64()
	g.Load(g.Param("s"), inner)
	g.MOVQ(inner, stride)
	g.SHLQ(operand.Imm(6), stride)
	g.LEAQ(operand.Mem{Base: stride, Index: stride, Scale: 2}, stride3)
	g.MOVQ(stride, quarter)
	g.IMULQ(outer, quarter)
	g.LEAQ(operand.Mem{Base: quarter, Index: quarter, Scale: 2}, quarter3)
	at := func(p, index reg.Register, scale uint8, part int) operand.Mem {
		return operand.Mem{Base: p, Index: index, Scale: scale}.Offset(8 * width * part)
	}

	g.Label("turn")
	var re, im [3]reg.VecVirtual
	for k := range re {
		re[k], im[k] = g.every(pointer(turns).Offset(16*k)), g.every(pointer(turns).Offset(16*k+8))
	}
	g.MOVQ(inner, count)
	g.Label("row")
	for part := range lanes / width {
		a, b := g.load(pointer(from).Offset(8*width*part)), g.load(at(from, quarter, 1, part))
		even, odd := g.add(a, at(from, quarter, 2, part)), g.sub(a, at(from, quarter, 2, part))
		evenB, oddB := g.add(b, at(from, quarter3, 1, part)), g.sub(b, at(from, quarter3, 1, part))
		g.store(g.add(even, evenB), pointer(to).Offset(8*width*part))
		g.store(g.turned(g.sub(even, evenB), re[1], im[1]), at(to, stride, 2, part))
		// odd − j·oddB and odd + j·oddB: VADDSUBPD is not there for the widest vectors.
		swapped := g.exchanged(oddB)
		first := g.reg()
		g.move(odd, first)
		g.VFMSUBADD132PD(g.number(1), swapped, first)
		g.VFMADDSUB132PD(g.number(1), swapped, odd)
		g.store(g.turned(first, re[0], im[0]), at(to, stride, 1, part))
		g.store(g.turned(odd, re[2], im[2]), at(to, stride3, 1, part))
	}
	g.ADDQ(operand.U32(rowBytes), from)
	g.ADDQ(operand.U32(rowBytes), to)
	g.DECQ(count)
	g.JNZ(operand.LabelRef("row"))
	g.ADDQ(stride3, to)
	g.ADDQ(operand.U32(48), turns)
	g.DECQ(outer)
	g.JNZ(operand.LabelRef("turn"))
	g.VZEROUPPER()
	g.RET()
}

// angles are the cosines and the sines of one part of a turn, and of two.
func angles(parts int) (all []float64) {
	for k := 1; k <= parts/2; k++ {
		sin, cos := math.Sincos(2 * math.Pi * float64(k) / float64(parts))
		all = append(all, cos, sin)
	}
	return all
}

// odds writes oddsGo for one radix. The turns stay on the stack: there are too many of them
// for the registers.
func odds(c *build.Context, name string, width, radix int, n numbers) {
	g := begin(c, name, fmt.Sprintf("%s is oddsGo for a radix of %d.", name, radix), "func(to, from, turns *complex128, m, s int)", width, 2*(radix-1), n)
	a := g.all("to", "from", "turns", "m")
	to, from, turns, outer := a[0], a[1], a[2], a[3]
	inner, count := g.GP64(), g.GP64()
	part, stride, source, target := g.GP64(), g.GP64(), g.GP64(), g.GP64()
	g.Load(g.Param("s"), inner)
	g.MOVQ(inner, stride)
	g.SHLQ(operand.Imm(6), stride)
	g.MOVQ(stride, part)
	g.IMULQ(outer, part)
	var re, im []operand.Mem
	for range radix - 1 {
		re, im = append(re, g.slot()), append(im, g.slot())
	}
	angle := angles(radix)
	half := radix / 2

	g.Label("turn")
	for k := range re {
		g.store(g.every(pointer(turns).Offset(16*k)), re[k])
		g.store(g.every(pointer(turns).Offset(16*k+8)), im[k])
	}
	g.MOVQ(inner, count)
	g.Label("row")
	for half64 := range lanes / width {
		at := func(p reg.Register) operand.Mem { return pointer(p).Offset(8 * width * half64) }
		g.MOVQ(from, source)
		x := []reg.VecVirtual{g.load(at(source))}
		for range radix - 1 {
			g.ADDQ(part, source)
			x = append(x, g.load(at(source)))
		}
		sums, differences := make([]reg.VecVirtual, half), make([]reg.VecVirtual, half)
		for i := range half {
			sums[i], differences[i] = g.add(x[1+i], x[radix-1-i]), g.sub(x[1+i], x[radix-1-i])
		}
		all := x[0]
		for _, v := range sums {
			all = g.add(all, v)
		}
		g.store(all, at(to))
		// Number k and the one as far from the end share their sums: even − j·odd and even + j·odd.
		var results = make([]reg.VecVirtual, radix)
		for k := 1; k <= half; k++ {
			even, odd := g.reg(), reg.VecVirtual(nil)
			g.move(x[0], even)
			for i := range half {
				turned := k * (i + 1) % radix
				near := min(turned, radix-turned)
				g.to(even, sums[i], g.number(angle[2*near-2]))
				sine := g.number(angle[2*near-1])
				switch {
				case odd == nil: // of the first the sine is positive
					odd = g.mul(differences[i], sine)
				case turned == near:
					g.to(odd, differences[i], sine)
				default:
					g.less(odd, differences[i], sine)
				}
			}
			odd = g.exchanged(odd)
			first := g.reg()
			g.move(even, first)
			g.VFMSUBADD132PD(g.number(1), odd, first)
			g.VFMADDSUB132PD(g.number(1), odd, even)
			results[k], results[radix-k] = first, even
		}
		g.MOVQ(to, target)
		for k := 1; k < radix; k++ {
			g.ADDQ(stride, target)
			v := results[k]
			out := g.mul(g.exchanged(v), im[k-1])
			g.VFMADDSUB231PD(re[k-1], v, out)
			g.store(out, at(target))
		}
	}
	g.ADDQ(operand.U32(rowBytes), from)
	g.ADDQ(operand.U32(rowBytes), to)
	g.DECQ(count)
	g.JNZ(operand.LabelRef("row"))
	for range radix - 1 {
		g.ADDQ(stride, to)
	}
	g.ADDQ(operand.U32(uint32(16*(radix-1))), turns)
	g.DECQ(outer)
	g.JNZ(operand.LabelRef("turn"))
	g.VZEROUPPER()
	g.RET()
}

func taperColumns(c *build.Context) {
	const width = 4
	g := begin(c, "taperColumnsAVX2", "taperColumnsAVX2 is taperColumnsGo for rows numbers of each column; step is between them [bytes].",
		"func(to *complex128, x, y, taper *float64, rows int, step uintptr, meanX, meanY float64)", width, 0, nil)
	a := g.all("to", "x", "y", "taper", "rows", "step")
	to, x, y, taper, rows, step := a[0], a[1], a[2], a[3], a[4], a[5]
	mean := func(name string) reg.VecVirtual {
		m, err := g.Param(name).Resolve()
		if err != nil {
			panic(err)
		}
		return g.every(m.Addr)
	}
	meanX, meanY := mean("meanX"), mean("meanY")
	g.Label("row")
	w := g.load(pointer(taper))
	re := g.mul(g.sub(g.load(pointer(x)), meanX), w)
	im := g.mul(g.sub(g.load(pointer(y)), meanY), w)
	g.interleave(re, im, pointer(to), orders{})
	for _, p := range []reg.GPVirtual{x, y, taper} {
		g.advance(p, step)
	}
	g.ADDQ(operand.U32(rowBytes), to)
	g.DECQ(rows)
	g.JNZ(operand.LabelRef("row"))
	g.VZEROUPPER()
	g.RET()
}

func turnTiles(c *build.Context) {
	const width = 4
	g := begin(c, "turnTilesAVX2", "turnTilesAVX2 is turnTilesGo for so many tiles; step is between those of to, and of turns [bytes].",
		"func(to, from, turns *complex128, tiles int, step uintptr)", width, 0, nil)
	a := g.all("to", "from", "turns", "tiles", "step")
	to, from, turns, tiles, step := a[0], a[1], a[2], a[3], a[4]
	g.Label("tile")
	for column := range 4 {
		for half := range 2 {
			at := operand.Mem{Base: from}.Offset(16*column + 2*rowBytes*half)
			v, out := g.YMM(), rowBytes*column+32*half
			g.VMOVUPD(at, v.AsX())
			g.VINSERTF128(operand.Imm(1), at.Offset(rowBytes), v, v)
			re, im := g.YMM(), g.YMM()
			g.VMOVDDUP(pointer(turns).Offset(out), re)
			g.VPERMILPD(operand.Imm(0xf), pointer(turns).Offset(out), im)
			g.store(g.turned(v, re, im), pointer(to).Offset(out))
		}
	}
	g.ADDQ(operand.U32(4*rowBytes), from)
	g.advance(to, step)
	g.advance(turns, step)
	g.DECQ(tiles)
	g.JNZ(operand.LabelRef("tile"))
	g.VZEROUPPER()
	g.RET()
}

func addPowers(c *build.Context) {
	const width = 4
	g := begin(c, "addPowersAVX2", "addPowersAVX2 is addPowersGo for n numbers, a multiple of four.",
		"func(sum *float64, z *complex128, n int)", width, 0, nil)
	a := g.all("sum", "z", "n")
	sum, z, n := a[0], a[1], a[2]
	g.Label("four")
	first, second := g.load(pointer(z)), g.load(pointer(z).Offset(32))
	first, second = g.mul(first, first), g.mul(second, second)
	g.VHADDPD(second, first, first)
	g.VPERMPD(operand.Imm(0xd8), first, first)
	g.store(g.add(first, pointer(sum)), pointer(sum))
	g.ADDQ(operand.U32(32), sum)
	g.ADDQ(operand.U32(64), z)
	g.SUBQ(operand.U32(4), n)
	g.JNZ(operand.LabelRef("four"))
	g.VZEROUPPER()
	g.RET()
}
