package frequencyplan

import (
	"cmp"
	"fmt"
	"maps"
	"math"
	"slices"
)

// Budget is the outcome of Average: what was given and what follows.
type Budget []Entry

// Entry is one quantity of a Budget with where it comes from.
type Entry struct {
	Quantity Quantity
	Value    float64
	Given    bool
	Formula  string // of a derived value, in the symbols of Quantity.Symbol
	Source   string
}

// Value returns a quantity; false if it does not follow from what was given.
func (b Budget) Value(q Quantity) (float64, bool) {
	for _, e := range b {
		if e.Quantity == q {
			return e.Value, true
		}
	}
	return 0, false
}

// Average returns everything that follows from the given quantities, in the
// order of Quantity. Given values that contradict each other by more than 0.1 %
// are an error, which names the formula that fails.
func Average(given map[Quantity]float64) (Budget, error) {
	known := map[Quantity]Entry{}
	for _, q := range slices.Sorted(maps.Keys(given)) {
		if q < 0 || q >= numberOfQuantities {
			return nil, fmt.Errorf("frequencyplan: no quantity %d", int(q))
		}
		v := given[q]
		if math.IsNaN(v) || math.IsInf(v, 0) || v <= 0 && q.Unit() != "dB" {
			return nil, &SpecError{q.String(), v, "must be positive and finite"}
		}
		known[q] = Entry{Quantity: q, Value: v, Given: true}
	}
	value := func(q Quantity) float64 { return known[q].Value }
	isKnown := func(q Quantity) bool { _, ok := known[q]; return ok }
	all := relations()
	for again := true; again; {
		again = false
		for _, r := range all {
			unknown := slices.DeleteFunc(slices.Clone(r.of), isKnown)
			if len(unknown) != 1 {
				continue
			}
			q := unknown[0]
			v := r.solve(q, value)
			if math.IsNaN(v) || math.IsInf(v, 0) {
				return nil, fmt.Errorf("frequencyplan: the given values contradict %s: no %s fits", r.formula, q)
			}
			known[q] = Entry{Quantity: q, Value: v, Formula: r.formula, Source: r.source}
			again = true
		}
	}
	for _, r := range all {
		q := r.of[0]
		if slices.ContainsFunc(r.of, func(q Quantity) bool { return !isKnown(q) }) {
			continue
		}
		want, have := r.solve(q, value), value(q)
		scale := math.Max(math.Abs(want), math.Abs(have))
		if q.Unit() == "dB" {
			scale = 8.7 // 0.1 % of an amplitude is 0.0087 dB
		}
		if math.Abs(want-have) > 1e-3*scale {
			return nil, fmt.Errorf("frequencyplan: the given values contradict %s: %s would be %.6g %s, not %.6g",
				r.formula, q, want, q.Unit(), have)
		}
	}
	byQuantity := func(a, b Entry) int { return cmp.Compare(a.Quantity, b.Quantity) }
	return slices.SortedFunc(maps.Values(known), byQuantity), nil
}
