package multitone

import (
	"math"

	"gonum.org/v1/gonum/floats"

	"tonepose/multitone/internal/kernel"
)

// Precision is the arithmetic of the products of samples and tables.
type Precision int

const (
	// Auto is Single for counts of 16 bits and Double for floats.
	Auto Precision = iota
	// Single sums in float32 over short runs and joins these in float64. Its
	// error stays below −140 dB of full scale.
	Single
	// Double is float64 throughout.
	Double
)

// summer is a kernel.Rows of either precision.
type summer interface {
	Half() int
	Set(row, at int, even, odd []float64)
	Size() int
	Index(channel, row int) int
	Int16(dst []complex128, x []int16)
	Float64(dst []complex128, x []float64)
	Halves(dst, first, last []complex128, i int, scale []float64)
}

func newSummer(p Precision, length, rows, channels int) summer {
	if p == Single {
		return kernel.New[float32](length, rows, channels)
	}
	return kernel.New[float64](length, rows, channels)
}

// sample is what a Bank reads, channels side by side.
type sample interface{ int16 | float64 }

func sum[S sample](s summer, dst []complex128, x []S) {
	switch x := any(x).(type) {
	case []int16:
		s.Int16(dst, x)
	case []float64:
		s.Float64(dst, x)
	}
}

// half holds functions on a window's positions u ≥ 0: 0, 1, … or ½, 1½, ….
type half struct{ even, odd [][]float64 }

// tabulate evaluates E_i(u) = w(u)·Σ_j even_ij·cos ω_j u and
// O_i(u) = −w(u)·Σ_j odd_ij·sin ω_j u, even and odd being the parts of combinations.
func tabulate(s shape, omega []float64, c *combinations) half {
	n, even, odd := c.columns, c.parts[0], c.parts[1]
	rows := len(even) / n
	positions := (s.length + 1) / 2
	first := float64(1-s.length%2) / 2
	h := half{make([][]float64, rows), make([][]float64, rows)}
	for i := range rows {
		h.even[i], h.odd[i] = make([]float64, positions), make([]float64, positions)
	}
	cos, sin := make([]float64, positions), make([]float64, positions)
	for j, w := range omega[:n] {
		sinusoid(cos, sin, w, first)
		for i := range rows {
			floats.AddScaled(h.even[i], even[i*n+j], cos)
			floats.AddScaled(h.odd[i], -odd[i*n+j], sin)
		}
	}
	if !s.rectangular() {
		for m := range cos {
			cos[m] = s.at(first + float64(m))
		}
		for i := range rows {
			floats.Mul(h.even[i], cos)
			floats.Mul(h.odd[i], cos)
		}
	}
	return h
}

// sinusoid writes cos and sin of ω·u for u = first, first+1, …: a rotation by
// recurrence, restarted exactly every 32 positions, so its error stays under
// 32·2⁻⁵³.
func sinusoid(cos, sin []float64, omega, first float64) {
	sw, cw := math.Sincos(omega)
	var c, s float64
	for m := range cos {
		if m%32 == 0 {
			s, c = math.Sincos(omega * (first + float64(m)))
		}
		cos[m], sin[m] = c, s
		c, s = c*cw-s*sw, s*cw+c*sw
	}
}
