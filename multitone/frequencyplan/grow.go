package frequencyplan

import (
	"math/rand/v2"
	"slices"
)

const (
	// sample is how many candidates grow compares for each tone.
	sample = 48
	// swaps is how many changes of a set are tried until a fresh start.
	swaps = 10_000
)

// pack fills the band tone by tone, and where that ends too soon, goes on from the best set
// so far: it takes a tone or a few out, puts others in their place, and keeps what is no
// worse. Among sets of equal size it so wanders to one that has room for one more. That is
// far tighter than rising order, but it proves nothing. It stops at the limit of work.
func (b *board) pack(spacing, limit int) bool {
	random := rand.New(rand.NewPCG(uint64(spacing), 0x746f6e65))
	var best, kept []int
	for i := 0; !b.over(limit - 1); i++ {
		b.clear()
		if i%swaps == 0 {
			best = best[:0]
			if b.grow(spacing, random) {
				return true
			}
		} else {
			kept = append(kept[:0], best...)
			shuffle(kept, random)
			n := len(kept) - 1
			for n > 0 && random.IntN(2) == 0 {
				n--
			}
			for _, tone := range kept[:n] {
				b.compatible(tone) // gathers its products
				b.accept(tone, spacing)
			}
			if b.refill(spacing, kept[n:], random) {
				return true
			}
		}
		if len(b.tones) == 0 {
			return false // nothing is open
		}
		if len(b.tones) >= len(best) {
			best = append(best[:0], b.tones...)
		}
	}
	return false
}

func shuffle(list []int, random *rand.Rand) {
	random.Shuffle(len(list), func(i, j int) { list[i], list[j] = list[j], list[i] })
}

// refill adds what is compatible, in random order, those that were taken out last.
func (b *board) refill(spacing int, out []int, random *rand.Rand) bool {
	next := func() bool {
		open := b.open[len(b.tones)]
		b.list = open.appendAll(b.list[:0])
		shuffle(b.list, random)
		for _, last := range []bool{false, true} {
			for _, i := range b.list {
				if slices.Contains(out, b.lo+i) != last {
					continue
				}
				if b.compatible(b.lo + i) {
					b.accept(b.lo+i, spacing)
					return true
				}
				open.remove(i, i) // more tones don't make it compatible
			}
		}
		return false
	}
	for len(b.tones) < b.Tones {
		if !next() {
			return false
		}
	}
	return true
}

// accept adds a tone that compatible has just found to be so, in any order of frequency.
func (b *board) accept(n, spacing int) {
	after := b.open[len(b.tones)+1]
	b.closeNear(after, b.open[len(b.tones)])
	after.remove(max(b.lo, n-spacing+1)-b.lo, min(b.hi, n+spacing-1)-b.lo)
	b.add(n)
	b.most = max(b.most, len(b.tones))
}

// grow adds tones in any order of frequency: of a random sample of candidates
// the next tone is the one that leaves most of the band open.
func (b *board) grow(spacing int, random *rand.Rand) bool {
	for len(b.tones) < b.Tones {
		open, after := b.open[len(b.tones)], b.open[len(b.tones)+1]
		b.list = open.appendAll(b.list[:0])
		best, most := -1, -1
		for tried := 0; len(b.list) > 0 && tried < sample; {
			k := random.IntN(len(b.list))
			i, last := b.list[k], len(b.list)-1
			b.list[k] = b.list[last]
			b.list = b.list[:last]
			if !b.compatible(b.lo + i) {
				open.remove(i, i) // more tones don't make it compatible
				continue
			}
			tried++
			b.closeNear(b.trial, open)
			b.trial.remove(max(0, i-spacing+1), min(b.hi-b.lo, i+spacing-1))
			b.work += len(b.trial) / 4
			if left := b.trial.count(); left > most {
				best, most = i, left
				copy(after, b.trial)
			}
		}
		if best < 0 {
			return false
		}
		b.add(b.lo + best)
		b.most = max(b.most, len(b.tones))
	}
	return true
}
