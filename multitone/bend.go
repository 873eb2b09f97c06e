package multitone

import "math"

// bend tells how far the curvature of a phasor inside its window pulls the
// window's weighted mean away from the value at its centre: the amplitude of a
// fit with both neighbour bins, at the centre, less that of the plain fit. For
// a tone that keeps still it is zero within the noise.
type bend struct {
	columns   int
	tones     []int     // those with room for both neighbour bins
	even, odd []float64 // len(tones) × columns
	gain      []float64 // variance of each component per white sample variance
}

// newBend prepares the comparison for the tones, which are the first of the
// system's columns; the first plain of them are without neighbour bins.
func newBend(t *system, plain, tones int) (*bend, error) {
	n := len(t.omega)
	b := &bend{columns: n}
	sides := make([][]int, tones)
	step := t.shape.spacing()
	for i := plain; i < n; i++ {
		for k := range tones {
			if d := math.Abs(t.omega[i] - t.omega[k]); d > 0.99*step && d < 1.01*step {
				sides[k] = append(sides[k], i)
			}
		}
	}
	for k := range tones {
		if len(sides[k]) == 2 {
			b.tones = append(b.tones, k)
		}
	}
	b.gain = make([]float64, len(b.tones))
	for part := range 2 {
		full, err := t.solve(part, n, n)
		if err != nil {
			return nil, err
		}
		short, err := t.solve(part, plain, tones)
		if err != nil {
			return nil, err
		}
		rows := make([]float64, len(b.tones)*n)
		for i, k := range b.tones {
			row := rows[i*n : (i+1)*n]
			for j := range n {
				row[j] = full[k*n+j] + full[sides[k][0]*n+j] + full[sides[k][1]*n+j]
			}
			for j := range plain {
				row[j] -= short[k*plain+j]
			}
			b.gain[i] += t.gain(part, row) / 2
		}
		if part == 0 {
			b.even = rows
		} else {
			b.odd = rows
		}
	}
	return b, nil
}

// squared is the squared bend of the i-th tone of b.tones on a channel with
// projections y.
func (b *bend) squared(i int, y []complex128) float64 {
	even, odd := b.even[i*b.columns:(i+1)*b.columns], b.odd[i*b.columns:(i+1)*b.columns]
	var re, im float64
	for j, v := range y[:b.columns] {
		re += even[j] * real(v)
		im += odd[j] * imag(v)
	}
	return re*re + im*im
}
