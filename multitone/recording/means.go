package recording

import "math"

// maxMeans is how many stretches of a recording have a mean of their own.
const maxMeans = 128

// means are the sums over equal stretches of a recording; when all are in use, pairs merge and the stretches double.
type means struct {
	sum    [maxMeans]float64
	count  [maxMeans]float64
	length int64
}

// add the sum over n samples from pos, which lie in one stretch.
func (m *means) add(pos int64, n int, sum float64) {
	if m.length == 0 {
		m.length = 4096
	}
	for pos/m.length >= maxMeans {
		for i := range maxMeans / 2 {
			m.sum[i], m.count[i] = m.sum[2*i]+m.sum[2*i+1], m.count[2*i]+m.count[2*i+1]
		}
		clear(m.sum[maxMeans/2:])
		clear(m.count[maxMeans/2:])
		m.length *= 2
	}
	i := pos / m.length
	m.sum[i] += sum
	m.count[i] += float64(n)
}

// line fits a straight line to the means, weighted by their counts: the mean, the change over the whole length and the
// standard deviation of that from the residuals (0 with fewer than three stretches).
func (m *means) line() (mean, change, sigma float64) {
	var w, x, y float64
	var used int
	for i, n := range m.count {
		if n > 0 {
			w += n
			x += n * float64(i)
			y += m.sum[i]
			used++
		}
	}
	if w == 0 {
		return 0, 0, 0
	}
	x, mean = x/w, y/w
	var xx, xy, yy float64
	last := 0
	for i, n := range m.count {
		if n > 0 {
			dx, dy := float64(i)-x, m.sum[i]/n-mean
			xx += n * dx * dx
			xy += n * dx * dy
			yy += n * dy * dy
			last = i
		}
	}
	if xx == 0 {
		return mean, 0, 0
	}
	slope, length := xy/xx, float64(last)+m.count[last]/float64(m.length)
	if used > 2 {
		sigma = math.Sqrt(max(0, yy-slope*xy)/float64(used-2)/xx) * length
	}
	return mean, slope * length, sigma
}
