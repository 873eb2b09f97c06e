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
// The tones are the first of the system's columns; the first plain of them are
// without neighbour bins.
func newBend(t *system, plain, tones int) (bends []bend, c *combinations, err error) {
	n := len(t.omega)
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
	c, err = t.combine(n, func(part int) ([]float64, error) {
		full, err := t.solve(part, n, n)
		if err != nil {
			return nil, err
		}
		short, err := t.solve(part, plain, tones)
		if err != nil {
			return nil, err
		}
		rows := make([]float64, len(bends)*n)
		for i, b := range bends {
			row := rows[i*n : (i+1)*n]
			for j := range n {
				row[j] = full[b.tone*n+j] + full[b.sides[0]*n+j] + full[b.sides[1]*n+j]
			}
			for j := range plain {
				row[j] -= short[b.tone*plain+j]
			}
		}
		return rows, nil
	})
	return bends, c, err
}
