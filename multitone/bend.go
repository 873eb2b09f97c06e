package multitone

import "math"

// bend is a tone with the columns of both its neighbour bins.
type bend struct {
	tone  int
	sides [2]int
}

// bends are those of the tones, the first of the system's columns, that have both neighbour bins among the last.
func (t *system) bends() (list []bend) {
	step := t.shape.spacing()
	for k := range t.tones {
		var sides []int
		for i := t.plain; i < len(t.omega); i++ {
			if d := math.Abs(t.omega[i] - t.omega[k]); d > 0.99*step && d < 1.01*step {
				sides = append(sides, i)
			}
		}
		if len(sides) == 2 {
			list = append(list, bend{k, [2]int{sides[0], sides[1]}})
		}
	}
	return list
}

// sum are the columns of whose amplitudes a phasor at the centre is made.
func (b *bend) sum() []int { return []int{b.tone, b.sides[0], b.sides[1]} }

// newBend tells how far the curvature of a phasor inside its window pulls the
// window's weighted mean away from the value at its centre: the amplitude of a
// fit with both neighbour bins, at the centre, less that of the plain fit. For
// a tone that keeps still it is zero within the noise.
func newBend(t *system) (bends []bend, c *combinations, err error) {
	n := len(t.omega)
	bends = t.bends()
	sums := make([][]int, len(bends))
	for i, b := range bends {
		sums[i] = b.sum()
	}
	c, err = t.combine(n, sums, func(part int) ([]float64, error) {
		short, rows, err := t.inverse(part)
		if err == nil && rows == nil {
			err = errSame
		}
		if err != nil {
			return nil, err
		}
		for i, b := range bends {
			for j, v := range short[b.tone*n : b.tone*n+t.plain] {
				rows[i*n+j] -= v
			}
		}
		return rows, nil
	})
	return bends, c, err
}
