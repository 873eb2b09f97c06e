package main

import (
	"fmt"

	"github.com/mmcloughlin/avo/build"
	"github.com/mmcloughlin/avo/operand"
	"github.com/mmcloughlin/avo/reg"
)

// Offsets of the fields of multitone's tilePair.
const (
	pairPlaces = 8 * iota
	pairFoldStep
	pairTableStep
	pairSumsStep
	pairKeep
	pairJoins
	pairHolds
	pairUp
	pairDown
)

const cacheLine = 64

// pairLoop is what a tile of two groups of rows keeps in registers.
type pairLoop struct {
	*vector
	tile
	sums, held, table [2]reg.GPVirtual // of either group
	fold, foldStep    reg.GPVirtual
	left, count       reg.GPVirtual // places behind the chain, and in it
	joins, fields     reg.GPVirtual
	up, down          reg.GPVirtual // lines of samples to fetch
	y                 [2][]reg.VecVirtual
}

// tilePair writes a tile of two groups, which share what is loaded of the fold. The
// sums of chains join, still in float32, in what is held; at last they are added to the sums.
func tilePair(c *build.Context, t tile) {
	name := fmt.Sprintf("tile%dx2f%d%s", t.channels, t.bits, t.level())
	vectors := t.channels * t.parts()
	// What of a first chain's sums finds a register besides two tables and a pair.
	spare := map[int]int{4: 16, 8: 32}[t.width] - 2*vectors - 2*t.parts() - 1
	waits := 2*vectors <= 2*spare
	slots, doc := 0, fmt.Sprintf("%s adds the products of p.n places", name)
	if waits {
		slots = 2*vectors - spare
		doc += fmt.Sprintf(", %d at the most", 2*chainPlaces)
	}
	doc += fmt.Sprintf(", for channels: %d of two groups of\nrows to the sums, or to what is held, as p tells.", t.channels)
	p := &pairLoop{vector: begin(c, name, doc, fmt.Sprintf("func(sums *complex128, held, table, fold *float%d, p *uint64)", t.bits), t.width, slots, nil), tile: t}
	p.arguments()
	for i := range p.y {
		p.y[i] = make([]reg.VecVirtual, vectors)
		for k := range p.y[i] {
			p.y[i][k] = p.reg()
		}
	}
	if waits {
		p.waiting(spare)
	} else {
		p.holding()
	}
}

func (p *pairLoop) arguments() {
	a := p.all("sums", "held", "table", "fold", "p")
	p.fold, p.fields = a[3], a[4]
	field := func(at int) reg.GPVirtual {
		r := p.GP64()
		p.MOVQ(pointer(p.fields).Offset(at), r)
		return r
	}
	p.left, p.foldStep = field(pairPlaces), field(pairFoldStep)
	p.sums, p.held, p.table = [2]reg.GPVirtual{a[0], field(pairSumsStep)}, [2]reg.GPVirtual{a[1], p.GP64()}, [2]reg.GPVirtual{a[2], field(pairTableStep)}
	p.MOVQ(p.sums[1], p.held[1])
	p.SHRQ(operand.Imm(1), p.held[1])
	for _, both := range [][2]reg.GPVirtual{p.sums, p.held, p.table} {
		p.ADDQ(both[0], both[1])
	}
	p.joins, p.up, p.down = field(pairJoins), field(pairUp), field(pairDown)
	p.count = p.GP64()
}

// each does something for every vector of sums and the place where it is held.
func (p *pairLoop) each(do func(y reg.VecVirtual, held operand.Mem)) {
	for k := range p.y[0] {
		for i := range p.y {
			do(p.y[i][k], pointer(p.held[i]).Offset(p.vectorBytes()*k))
		}
	}
}

// places sums a chain.
func (p *pairLoop) places(label string) {
	p.each(func(y reg.VecVirtual, _ operand.Mem) { p.clear(y) })
	p.Label(label)
	p.PREFETCHT0(pointer(p.up))
	p.PREFETCHT0(pointer(p.down))
	p.ADDQ(operand.U32(cacheLine), p.up)
	p.SUBQ(operand.U32(cacheLine), p.down)
	rows := make([][]operand.Op, 2)
	for i := range rows {
		for k := range p.parts() {
			rows[i] = append(rows[i], p.load(pointer(p.table[i]).Offset(p.vectorBytes()*k)))
		}
	}
	for ch := range p.channels {
		at := ch * p.parts()
		p.products(p.vector, pointer(p.fold).Offset(p.pairBytes()*ch), rows, [][]reg.VecVirtual{p.y[0][at:], p.y[1][at:]})
	}
	for _, table := range p.table {
		p.ADDQ(operand.U32(uint32(p.rowsBytes())), table)
	}
	p.advance(p.fold, p.foldStep)
	p.DECQ(p.count)
	p.JNZ(operand.LabelRef(label))
}

// join adds what is held, if anything.
func (p *pairLoop) join() {
	p.TESTQ(p.joins, p.joins)
	p.JZ(operand.LabelRef("apart"))
	p.each(func(y reg.VecVirtual, held operand.Mem) { p.VADDPS(held, y, y) })
	p.Label("apart")
}

func (p *pairLoop) hold() {
	p.Label("hold")
	p.each(func(y reg.VecVirtual, held operand.Mem) { p.store(y, held) })
}

// add adds to the sums and returns, if nothing is to be held.
func (p *pairLoop) add() {
	p.CMPQ(pointer(p.fields).Offset(pairHolds), operand.Imm(0))
	p.JNE(operand.LabelRef("hold"))
	keep := p.GP64()
	p.MOVQ(pointer(p.fields).Offset(pairKeep), keep)
	mask := p.kept(keep)
	for i, y := range p.y {
		p.addTo(p.vector, p.sums[i], y, mask)
	}
	p.end()
}

func (p *pairLoop) end() {
	p.VZEROUPPER()
	p.RET()
}

// holding holds the sums of every chain.
func (p *pairLoop) holding() {
	p.Label("next")
	p.chain(p.count, p.left)
	p.places("place")
	p.join()
	p.TESTQ(p.left, p.left)
	p.JNE(operand.LabelRef("hold"))
	p.add()
	p.hold()
	p.MOVQ(operand.U32(1), p.joins)
	p.TESTQ(p.left, p.left)
	p.JNE(operand.LabelRef("next"))
	p.end()
}

// waiting keeps the sums of a first of two chains in spare registers and on the stack.
func (p *pairLoop) waiting(spare int) {
	p.chain(p.count, p.left)
	p.places("place")
	p.TESTQ(p.left, p.left)
	p.JZ(operand.LabelRef("done"))
	var first []operand.Op
	p.each(func(y reg.VecVirtual, _ operand.Mem) {
		if len(first) < spare {
			r := p.reg()
			p.move(y, r)
			first = append(first, r)
		} else {
			m := p.slot()
			p.store(y, m)
			first = append(first, m)
		}
	})
	p.MOVQ(p.left, p.count)
	p.places("more")
	p.each(func(y reg.VecVirtual, _ operand.Mem) {
		p.VADDPS(first[0], y, y)
		first = first[1:]
	})
	p.Label("done")
	p.join()
	p.add()
	p.hold()
	p.end()
}
