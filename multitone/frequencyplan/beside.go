package frequencyplan

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"
)

const (
	// maxBeside bounds the frequencies that are looked at for each tone beside given ones:
	// where the grid is finer, every second, third … of its frequencies.
	maxBeside = 20_000
	// besideEffort bounds the products looked at for all of them, to a few seconds.
	besideEffort = 150_000_000
)

// Beside chooses count tones [Hz] that go with given ones, which stay as they are: one by
// one, each time the one that is farthest from all others of those that bring no conflict
// of Check, the lowest of equals. If it finds none, the error says how many it found.
// Spec.Tones is ignored. Equal calls give equal tones.
func Beside(ctx context.Context, s Spec, given []float64, count int) ([]float64, error) {
	g, err := newGrid(s)
	if err != nil {
		return nil, err
	}
	if n := len(given) + count; n > maxTones {
		return nil, &SpecError{"tones", n, "must be 64 at most"}
	}
	b := beside{grid: g, tones: slices.Clone(given)}
	for range count {
		hz, ok := b.next(ctx)
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		if !ok {
			why := ""
			if b.work > besideEffort {
				why = " that was looked at"
			}
			return nil, fmt.Errorf("no tone on the grid of %g Hz%s goes with the %d already there", g.stepHz, why, len(b.tones))
		}
		b.tones = append(b.tones, hz)
	}
	return b.tones[len(given):], nil
}

// beside is the state of Beside.
type beside struct {
	*grid
	tones    []float64
	products []float64 // of the tones, folded, rising
	work     int       // products looked at
}

// next is the next tone; false if there is none, or the effort is spent.
func (b *beside) next(ctx context.Context) (float64, bool) {
	b.products = b.products[:0]
	products(b.tones, b.RateHz, func(p product) { b.products = append(b.products, p.folded) })
	b.work += len(b.products)
	slices.Sort(b.products)
	type candidate struct{ hz, near float64 }
	var all []candidate
	for n := b.lo; n <= b.hi; n += 1 + (b.hi-b.lo)/maxBeside {
		hz := b.hz(n)
		near := math.Inf(1)
		for _, t := range b.tones {
			near = min(near, math.Abs(t-hz))
		}
		if near >= b.SpacingHz-slack*b.stepHz {
			all = append(all, candidate{hz, near})
		}
	}
	slices.SortStableFunc(all, func(x, y candidate) int { return cmp.Compare(y.near, x.near) })
	for _, c := range all {
		if ctx.Err() != nil || b.work > besideEffort {
			return 0, false
		}
		if b.takes(c.hz) {
			return c.hz, true
		}
	}
	return 0, false
}

// takes tells whether a tone brings no conflict with mains and products, to itself or to
// the tones there.
func (b *beside) takes(hz float64) bool {
	clear := b.MarginHz - slack*b.stepHz
	if d, _, _ := b.mainsDistance(hz); d < clear {
		return false
	}
	b.work++
	i, _ := slices.BinarySearch(b.products, hz)
	if i > 0 && hz-b.products[i-1] < clear || i < len(b.products) && b.products[i]-hz < clear {
		return false
	}
	tones, free := append(slices.Clip(b.tones), hz), true
	productsOf(len(tones)-1, tones, b.RateHz, func(p product) {
		if !free {
			return
		}
		b.work += len(tones)
		for _, t := range tones {
			if math.Abs(t-p.folded) < clear {
				free = false
				return
			}
		}
	})
	return free
}
