package main

import (
	"fmt"

	"github.com/mmcloughlin/avo/build"
	"github.com/mmcloughlin/avo/operand"
	"github.com/mmcloughlin/avo/reg"
)

// Products that follow each other in float32, and rows that lie side by side, as in
// multitone's kernels.
const (
	chainPlaces = 32
	groupRows   = 8
)

// tile is a loop that sums the products of some channels and a group of rows. In the
// table a place is an even and an odd number a row, in the fold a sum and a difference
// a channel: such a pair goes to all lanes.
type tile struct {
	width, bits int // of the vectors, as in vector; of the numbers, 32 or 64
	channels    int
	places      int // each time
	sets        int // of sums, which the places take turns with
}

// tiles writes sumGo of multitone in tiles of one group of rows, and of two.
func tiles(c *build.Context) {
	for _, t := range []tile{
		{4, 32, 6, 2, 1}, {4, 32, 4, 2, 1}, {4, 32, 2, 2, 1}, {4, 32, 1, 4, 4},
		{4, 64, 2, 1, 1}, {4, 64, 1, 2, 2},
		{8, 32, 12, 2, 2}, {8, 32, 4, 4, 4}, {8, 32, 1, 8, 8},
		{8, 64, 12, 1, 1}, {8, 64, 4, 2, 2}, {8, 64, 1, 4, 4},
	} {
		t.write(c)
	}
	tilePair(c, tile{8, 32, 12, 1, 1})
	tilePair(c, tile{8, 32, 8, 1, 1})
}

func (t tile) level() string { return map[int]string{4: "AVX2", 8: "AVX512"}[t.width] }

// Bytes of a vector, of a pair of numbers, of a place in the table.
func (t tile) vectorBytes() int { return 8 * t.width }
func (t tile) pairBytes() int   { return t.bits / 4 }
func (t tile) rowsBytes() int   { return groupRows * t.pairBytes() }

// parts are the vectors of a channel's sums.
func (t tile) parts() int { return t.rowsBytes() / t.vectorBytes() }

// chained tells whether the sums of more than one chain of products are joined.
func (t tile) chained() bool { return t.bits == 32 && t.sets < t.places }

func (t tile) write(c *build.Context) {
	name := fmt.Sprintf("tile%df%d%s", t.channels, t.bits, t.level())
	vectors, slots := t.channels*t.parts(), 0
	doc := fmt.Sprintf(`%s adds the products of n places, a multiple of %d, for channels: %d
of a group of rows to the sums; places of the fold are foldStep bytes apart.`, name, t.places, t.channels)
	if t.chained() {
		doc += fmt.Sprintf(" Chains of up to %d places\nare joined in float32.", chainPlaces)
		slots = vectors
	}
	if t.width == 8 {
		doc += " Where\nthe mask keep is 0, sums are overwritten."
	}
	g := begin(c, name, doc, fmt.Sprintf("func(sums *complex128, table, fold *float%d, n int, foldStep, keep uintptr)", t.bits), t.width, slots, nil)
	a := g.all("sums", "table", "fold", "n", "foldStep")
	sums, table, fold, left, foldStep := a[0], a[1], a[2], a[3], a[4]
	var keep reg.Register
	if t.width == 8 {
		keep = g.kept(g.Load(g.Param("keep"), g.GP64()))
	}
	y := make([][]reg.VecVirtual, t.sets)
	for s := range y {
		y[s] = g.zeros(vectors)
	}
	count := left
	var joined []operand.Mem
	if t.chained() {
		for range vectors {
			joined = append(joined, g.slot())
			g.store(y[0][0], joined[len(joined)-1])
		}
		count = g.GP64()
		g.Label("chain")
		g.chain(count, left)
		for _, v := range y[0] {
			g.clear(v)
		}
	}
	g.Label("place")
	for place := range t.places {
		t.place(g, pointer(table).Offset(t.rowsBytes()*place), pointer(fold), y[place%t.sets])
		g.advance(fold, foldStep)
	}
	g.ADDQ(operand.U32(uint32(t.places*t.rowsBytes())), table)
	g.SUBQ(operand.U32(uint32(t.places)), count)
	g.JNZ(operand.LabelRef("place"))
	if t.chained() {
		for i, m := range joined {
			g.VADDPS(m, y[0][i], y[0][i])
			g.store(y[0][i], m)
		}
		g.TESTQ(left, left)
		g.JNZ(operand.LabelRef("chain"))
	}
	for step := 1; step < t.sets; step *= 2 {
		for s := 0; s < t.sets; s += 2 * step {
			for i, v := range y[s] {
				if t.bits == 32 {
					g.VADDPS(y[s+step][i], v, v)
				} else {
					g.VADDPD(y[s+step][i], v, v)
				}
			}
		}
	}
	t.addTo(g, sums, y[0], keep)
	g.VZEROUPPER()
	g.RET()
}

// place adds the products of a place, channel by channel.
func (t tile) place(g *vector, table, fold operand.Mem, y []reg.VecVirtual) {
	rows := make([]operand.Op, t.parts())
	for k := range rows {
		rows[k] = table.Offset(t.vectorBytes() * k)
		if t.channels > 1 {
			rows[k] = g.load(rows[k])
		}
	}
	for ch := range t.channels {
		t.products(g, fold.Offset(t.pairBytes()*ch), [][]operand.Op{rows}, [][]reg.VecVirtual{y[t.parts()*ch:]})
	}
}

// products adds those of a channel's pair with the rows of some groups.
func (t tile) products(g *vector, pair operand.Mem, rows [][]operand.Op, y [][]reg.VecVirtual) {
	var both reg.VecVirtual
	if t.bits == 32 {
		both = g.every(pair)
	} else {
		both = g.pair(pair)
	}
	for i, group := range rows {
		for k, r := range group {
			if t.bits == 32 {
				g.VFMADD231PS(r, both, y[i][k])
			} else {
				g.to(y[i][k], both, r)
			}
		}
	}
}

// addTo adds to the sums, those that keep keeps of wide vectors.
func (t tile) addTo(g *vector, sums reg.Register, y []reg.VecVirtual, keep reg.Register) {
	at := 0
	add := func(v reg.VecVirtual) {
		m := pointer(sums).Offset(at)
		if t.width == 4 {
			g.VADDPD(m, v, v)
		} else {
			g.VADDPD(m, v, keep, v)
		}
		g.store(v, m)
		at += t.vectorBytes()
	}
	for _, v := range y {
		if t.bits == 64 {
			add(v)
			continue
		}
		low, high := g.reg(), g.reg()
		if t.width == 4 {
			upper := g.XMM()
			g.VEXTRACTF128(operand.Imm(1), v, upper)
			g.VCVTPS2PD(v.AsX(), low)
			g.VCVTPS2PD(upper, high)
		} else {
			upper := g.YMM()
			g.VEXTRACTF64X4(operand.Imm(1), v, upper)
			g.VCVTPS2PD(v.AsY(), low)
			g.VCVTPS2PD(upper, high)
		}
		add(low)
		add(high)
	}
}

// kept is the mask of what is added to.
func (g *vector) kept(keep reg.Register) reg.Register {
	k := g.K()
	g.KMOVW(keep.(reg.GPVirtual).As32(), k)
	return k
}

// chain takes from left the places of the next chain.
func (g *vector) chain(count, left reg.GPVirtual) {
	g.MOVQ(operand.U32(chainPlaces), count)
	g.CMPQ(left, count)
	g.CMOVQLT(left, count)
	g.SUBQ(count, left)
}

func (g *vector) zeros(n int) (all []reg.VecVirtual) {
	for range n {
		all = append(all, g.zero())
	}
	return all
}
