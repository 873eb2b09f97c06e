package frequencyplan

import "math/rand/v2"

const (
	// sample is how many candidates grow compares for each tone.
	sample = 48
	// regrowths is how often a set that cannot grow is thinned and regrown before
	// a fresh start.
	regrowths = 1000
)

// pack fills the band tone by tone, and where that ends too soon, takes some out
// and goes on, keeping what is no worse: far tighter than rising order, but it
// proves nothing. It stops at the limit of work.
func (b *board) pack(spacing, limit int) bool {
	random := rand.New(rand.NewPCG(uint64(spacing), 0x746f6e65))
	var best, kept []int
	for i := 0; !b.over(limit - 1); i++ {
		b.clear()
		if i%regrowths == 0 {
			best = best[:0]
		} else {
			kept = append(kept[:0], best...)
			random.Shuffle(len(kept), func(i, j int) { kept[i], kept[j] = kept[j], kept[i] })
			for _, n := range kept[:len(kept)-1-random.IntN(max(1, len(kept)/2))] {
				b.restore(n, spacing)
			}
		}
		if b.grow(spacing, random) {
			return true
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

// restore adds a tone that is known to be compatible, in any order of frequency.
func (b *board) restore(n, spacing int) {
	b.compatible(n) // gathers its products
	after := b.open[len(b.tones)+1]
	b.closeNear(after, b.open[len(b.tones)])
	after.remove(max(b.lo, n-spacing+1)-b.lo, min(b.hi, n+spacing-1)-b.lo)
	b.add(n)
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
