package multitone

import "math"

// newBend tells how far the curvature of a phasor inside its window pulls the
// window's weighted mean away from the value at its centre: the amplitude of a
// fit with both neighbour bins, at the centre, less that of the plain fit. For
// a tone that keeps still it is zero within the noise.
//
// The tones are the first of the system's columns; the first plain of them are
// without neighbour bins. bends lists the tones that have both of these.
func newBend(t *system, plain, tones int) (bends []int, c *combinations, err error) {
	n := len(t.omega)
	sides := make([][]int, tones)
	step := t.shape.spacing()
	for k := range tones {
		for i := plain; i < n; i++ {
			if d := math.Abs(t.omega[i] - t.omega[k]); d > 0.99*step && d < 1.01*step {
				sides[k] = append(sides[k], i)
			}
		}
		if len(sides[k]) == 2 {
			bends = append(bends, k)
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
		for i, k := range bends {
			row := rows[i*n : (i+1)*n]
			for j := range n {
				row[j] = full[k*n+j] + full[sides[k][0]*n+j] + full[sides[k][1]*n+j]
			}
			for j := range plain {
				row[j] -= short[k*plain+j]
			}
		}
		return rows, nil
	})
	return bends, c, err
}
