package multitone

// shelf is memory that systems hand on to the next: each takes hundreds of kilobytes.
type shelf struct{ free [][]float64 }

// mostFree is how many pieces wait, no more than one system has.
const mostFree = 8

// take gives so many zeros.
func (s *shelf) take(n int) []float64 {
	if s != nil {
		for i, x := range s.free {
			if cap(x) >= n {
				s.free[i] = s.free[len(s.free)-1]
				s.free = s.free[:len(s.free)-1]
				clear(x[:n])
				return x[:n]
			}
		}
	}
	return make([]float64, n)
}

// give takes back what nothing refers to any more.
func (s *shelf) give(x []float64) {
	if s != nil && len(s.free) < mostFree {
		s.free = append(s.free, x)
	}
}
