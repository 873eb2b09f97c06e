package frequencyplan

import "math/rand/v2"

// sample is how many candidates grow compares for a place.
const sample = 48

// grow fills the band in any order of frequency: of a random sample of
// candidates the next tone is the one that leaves most of the band open. That
// packs far tighter than rising order, but proves nothing.
func (b *board) grow(spacing int, seed uint64) bool {
	random := rand.New(rand.NewPCG(seed, 0x746f6e65))
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
			b.strike(b.trial, open)
			b.trial.remove(max(0, i-spacing+1), min(b.hi-b.lo, i+spacing-1))
			b.work += len(b.products) + len(b.trial)
			if left := b.trial.count(); left > most {
				best, most = i, left
				copy(after, b.trial)
			}
		}
		if best < 0 {
			return false
		}
		b.put(b.lo + best)
		b.most = max(b.most, len(b.tones))
	}
	return true
}
