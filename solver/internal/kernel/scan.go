package kernel

import "math"

// Least returns the smallest of scores, leaving out NaN; +Inf for none.
func Least(scores []Vec) float64 {
	if len(scores) == 0 {
		return math.Inf(1)
	}
	return least(scores)
}

// Below sets bit l of masks[i] where scores[i][l] ≤ limit.
func Below(masks []uint8, scores []Vec, limit float64) {
	if len(scores) == 0 {
		return
	}
	below(masks[:len(scores)], scores, limit)
}

func leastGo(scores []Vec) float64 {
	m := math.Inf(1)
	for i := range scores {
		for _, v := range scores[i] {
			if v < m {
				m = v
			}
		}
	}
	return m
}

func belowGo(masks []uint8, scores []Vec, limit float64) {
	for i := range scores {
		m := uint8(0)
		for l, v := range scores[i] {
			if v <= limit {
				m |= 1 << l
			}
		}
		masks[i] = m
	}
}
