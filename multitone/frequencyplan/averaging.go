package frequencyplan

import (
	"fmt"
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
	for q := range numberOfQuantities {
		v, ok := given[q]
		if !ok {
			continue
		}
		if math.IsNaN(v) || math.IsInf(v, 0) || v <= 0 && q.Unit() != "dB" {
			return nil, &SpecError{q.String(), v, "must be positive and finite"}
		}
	}
	for q := range given {
		if q < 0 || q >= numberOfQuantities {
			return nil, fmt.Errorf("frequencyplan: no quantity %d", int(q))
		}
	}
	s := solution{known: map[Quantity]Entry{}}
	for q, v := range given {
		s.known[q] = Entry{Quantity: q, Value: v, Given: true}
	}
	all := relations()
	for again := true; again; {
		again = false
		for _, r := range all {
			derived, err := s.apply(r)
			if err != nil {
				return nil, err
			}
			again = again || derived
		}
	}
	for _, r := range all {
		if err := s.verify(r); err != nil {
			return nil, err
		}
	}
	var b Budget
	for _, e := range s.known {
		b = append(b, e)
	}
	slices.SortFunc(b, func(a, c Entry) int { return int(a.Quantity) - int(c.Quantity) })
	return b, nil
}

type solution struct {
	known map[Quantity]Entry
}

func (s *solution) value(q Quantity) float64 { return s.known[q].Value }

// apply derives the one unknown of a relation, if it has just one.
func (s *solution) apply(r relation) (bool, error) {
	unknown := Quantity(-1)
	for _, q := range r.of {
		if _, ok := s.known[q]; ok {
			continue
		}
		if unknown >= 0 {
			return false, nil
		}
		unknown = q
	}
	if unknown < 0 {
		return false, nil
	}
	v := r.solve(unknown, s.value)
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return false, fmt.Errorf("frequencyplan: the given values contradict %s: no %s fits", r.formula, unknown)
	}
	s.known[unknown] = Entry{Quantity: unknown, Value: v, Formula: r.formula, Source: r.source}
	return true, nil
}

// verify checks a relation whose quantities are all known.
func (s *solution) verify(r relation) error {
	for _, q := range r.of {
		if _, ok := s.known[q]; !ok {
			return nil
		}
	}
	for _, q := range r.of {
		want := r.solve(q, s.value)
		have := s.value(q)
		if math.IsNaN(want) {
			continue
		}
		scale := math.Max(math.Abs(want), math.Abs(have))
		if q.Unit() == "dB" {
			scale = 8.7 // 0.1 % of an amplitude is 0.0087 dB
		}
		if math.Abs(want-have) > 1e-3*scale {
			return fmt.Errorf("frequencyplan: the given values contradict %s: %s would be %.6g %s, not %.6g",
				r.formula, q, want, q.Unit(), have)
		}
		return nil
	}
	return nil
}
