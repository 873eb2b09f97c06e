package multitone

import (
	"math"
	"math/cmplx"

	"tonepose/multitone/internal/kernel"
)

// maxChunk bounds the kernel's tables: a longer window is projected in chunks
// whose phases are joined.
const maxChunk = 16384

// projection gathers y_i = Σ w(u)·x(u)·exp(−jω_i·u) of one window for every
// column i and channel, u counted from the window's middle.
type projection struct {
	shape    shape
	omega    []float64
	channels int
	chunk    int
	chunks   int
	weights  []float64 // the taper, padded with zeros to chunks·chunk; nil: ones
	kernel   *kernel.Projector
	y        []complex128 // channels × columns
}

func newProjection(s shape, omega []float64, channels int) *projection {
	p := &projection{shape: s, omega: omega, channels: channels}
	p.chunks = (s.length + maxChunk - 1) / maxChunk
	p.chunk = (s.length + p.chunks - 1) / p.chunks
	if !s.rectangular() {
		p.weights = make([]float64, p.chunk*p.chunks)
		s.fill(p.weights[:s.length])
	}
	p.kernel = kernel.NewProjector(p.chunk, omega)
	p.y = make([]complex128, channels*len(omega))
	return p
}

func (p *projection) retune(omega []float64) {
	p.omega = omega
	p.kernel.Retune(omega)
}

func (p *projection) reset() { clear(p.y) }

// add projects chunk i of the window; each x has the chunk's length, with
// zeros behind the window's end.
func (p *projection) add(i int, x [][]float64) {
	var w []float64
	if p.weights != nil {
		w = p.weights[i*p.chunk : (i+1)*p.chunk]
	}
	re, im := p.kernel.Project(x, w)
	if p.chunks == 1 {
		for k := range p.y {
			p.y[k] = complex(re[k], im[k])
		}
		return
	}
	middle := float64(i*p.chunk) + float64(p.chunk-1)/2 - float64(p.shape.length-1)/2
	for j, om := range p.omega {
		turn := unit(-cycles(om * middle / (2 * math.Pi)))
		for c := range p.channels {
			k := c*len(p.omega) + j
			p.y[k] += complex(re[k], im[k]) * turn
		}
	}
}

// row is the projection of one channel on every column.
func (p *projection) row(channel int) []complex128 {
	n := len(p.omega)
	return p.y[channel*n : (channel+1)*n]
}

// cycles is the fraction of a turn, −0.5 to 0.5.
func cycles(turns float64) float64 { return turns - math.Round(turns) }

// unit is exp(j·2π·turns).
func unit(turns float64) complex128 { return cmplx.Rect(1, 2*math.Pi*turns) }
