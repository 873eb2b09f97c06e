package multitone

import (
	"math"
	"math/cmplx"
)

// maxChunk bounds the tables: a longer stretch is projected in chunks whose
// phases are joined.
const maxChunk = 4096

// chunkSeconds bounds the chunks [s], over which a tone's frequency is taken to be
// constant: at 20 kHz a drift of 5 ppm/s turns a phase by
// π·20e3·5e-6·0.025² = 0.2 mrad at a chunk's ends.
const chunkSeconds = 0.05

// mostChunk is the length of the chunks [samples] at most, at a sample rate [Hz].
func mostChunk(rate float64) int { return min(maxChunk, max(int(chunkSeconds*rate), 64)) }

// projection gathers y_i = Σ w(u)·x(u)·exp(−jω_i·u) of one window for every
// column i and channel, u counted from the window's middle.
type projection struct {
	shape         shape
	omega         []float64
	tones         []int // whose course each column follows, or fixed
	channels      int
	chunk, chunks int
	sums          summer
	out           []complex128
	weighted      []float64
}

func newProjection(c *Config, a *analysis) *projection {
	s, omega, channels := a.shape, a.omega, c.Channels
	p := &projection{shape: s, omega: omega, tones: a.tones, channels: channels}
	most := mostChunk(c.SampleRate)
	p.chunks = (s.length + most - 1) / most
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

// middle is the middle of chunk i from the window's [samples], and its length: the
// window's last chunk may be shorter than the others.
func (p *projection) middle(i int) (u float64, length int) {
	length = min(p.chunk, p.shape.length-i*p.chunk)
	return float64(i*p.chunk) + float64(length-1)/2 - float64(p.shape.length-1)/2, length
}

// project adds chunk i of the window to y, channels × columns. bows are how far the
// course of each tone is from a constant frequency there [cycles]; nil: nowhere.
func project[S sample](p *projection, y []complex128, i int, x []S, bows []float64) {
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
		turns := om * middle / (2 * math.Pi)
		if k := p.tones[j]; bows != nil && k != fixed {
			turns += bows[k]
		}
		turn := unit(-cycles(turns))
		for c := range p.channels {
			y[c*len(p.omega)+j] += p.out[p.sums.Index(c, j)] * turn
		}
	}
}

// cycles is the fraction of a turn, −0.5 to 0.5.
func cycles(turns float64) float64 { return turns - math.Round(turns) }

// unit is exp(j·2π·turns).
func unit(turns float64) complex128 { return cmplx.Rect(1, 2*math.Pi*turns) }
