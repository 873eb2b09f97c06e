package multitone

import (
	"math"
	"math/cmplx"
)

// maxChunk bounds the tables: a longer stretch is projected in chunks whose
// phases are joined.
const maxChunk = 4096

// projection gathers y_i = Σ w(u)·x(u)·exp(−jω_i·u) of one window for every
// column i and channel, u counted from the window's middle.
type projection struct {
	shape         shape
	omega         []float64
	channels      int
	chunk, chunks int
	sums          summer
	out           []complex128
	weighted      []float64
}

func newProjection(s shape, omega []float64, channels int) *projection {
	p := &projection{shape: s, omega: omega, channels: channels}
	p.chunks = (s.length + maxChunk - 1) / maxChunk
	p.chunk = (s.length + p.chunks - 1) / p.chunks
	p.sums = newSummer(Double, p.chunk, len(omega), channels)
	p.out = make([]complex128, p.sums.Size())
	p.weighted = make([]float64, p.chunk*channels)
	first := float64(1-p.chunk%2) / 2
	cos, sin := make([]float64, p.sums.Half()), make([]float64, p.sums.Half())
	for j, w := range omega {
		sinusoid(cos, sin, w, first)
		for m := range sin {
			sin[m] = -sin[m]
		}
		p.sums.Set(j, 0, cos, sin)
	}
	return p
}

// project adds chunk i of the window to y, channels × columns. The window's
// last chunk may be shorter than the others.
func project[S sample](p *projection, y []complex128, i int, x []S) {
	for n := range len(x) / p.channels {
		w := 1.0
		if !p.shape.rectangular() {
			w = p.shape.at(float64(i*p.chunk+n) - float64(p.shape.length-1)/2)
		}
		for c, v := range x[n*p.channels : (n+1)*p.channels] {
			p.weighted[n*p.channels+c] = w * float64(v)
		}
	}
	clear(p.weighted[len(x):])
	p.sums.Float64(p.out, p.weighted)
	middle := float64(i*p.chunk) + float64(p.chunk-1)/2 - float64(p.shape.length-1)/2
	for j, om := range p.omega {
		turn := unit(-cycles(om * middle / (2 * math.Pi)))
		for c := range p.channels {
			y[c*len(p.omega)+j] += p.out[p.sums.Index(c, j)] * turn
		}
	}
}

// cycles is the fraction of a turn, −0.5 to 0.5.
func cycles(turns float64) float64 { return turns - math.Round(turns) }

// unit is exp(j·2π·turns).
func unit(turns float64) complex128 { return cmplx.Rect(1, 2*math.Pi*turns) }
