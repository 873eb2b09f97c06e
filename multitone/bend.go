package multitone

import "math"

// bend is a tone with the columns of both its neighbour bins.
type bend struct {
	tone  int
	sides [2]int
}

// newBend tells how far the curvature of a phasor inside its window pulls the
// window's weighted mean away from the value at its centre: the amplitude of a
// fit with both neighbour bins, at the centre, less that of the plain fit. For
// a tone that keeps still it is zero within the noise.
//
// The tones are the first of the system's columns; the first columns of them, of which the plain
// fit is made, are without neighbour bins.
func newBend(t *system, short *combinations, tones int) (bends []bend, c *combinations, err error) {
	n, plain := len(t.omega), short.columns
	step := t.shape.spacing()
	for k := range tones {
		var sides []int
		for i := plain; i < n; i++ {
			if d := math.Abs(t.omega[i] - t.omega[k]); d > 0.99*step && d < 1.01*step {
				sides = append(sides, i)
			}
		}
		if len(sides) == 2 {
			bends = append(bends, bend{k, [2]int{sides[0], sides[1]}})
		}
	}
	sums := make([][]int, len(bends))
	for i, b := range bends {
		sums[i] = []int{b.tone, b.sides[0], b.sides[1]}
	}
	c, err = t.combine(n, func(part int) ([]float64, error) {
		full, err := t.lead(part, n)
		if err != nil {
			return nil, err
		}
		rows := full.rows(sums)
		for i, b := range bends {
			for j, v := range short.parts[part][b.tone*plain : (b.tone+1)*plain] {
				rows[i*n+j] -= v
			}
		}
		return rows, nil
	})
	return bends, c, err
}
