package synth

import (
	"math"
	"math/cmplx"
	"math/rand/v2"

	"gonum.org/v1/gonum/dsp/fourier"

	"tonepose/multitone/internal/kernel"
)

// hum is the mains on one channel: Re Σ c_n·e^{jnθ}, n from 1 to the number of
// harmonics, θ = 2π·Hz·t. It depends on θ alone, so that one period of it is laid down
// once: as Taylor polynomials about evenly spaced phases.
type hum struct {
	hz    float64
	table []humPiece // of one period, a power of two; nil: no hum
}

// humPiece holds the coefficients by powers of the distance from its phase, in spacings.
type humPiece [humOrder]float64

// With H harmonics of amplitude 1/n and at least 3·H phases a period, a phase is at most
// δ = π/3H away, and the terms left out are at most Σ 1/n·(n·δ)^18/18! ≈
// (π/3)^18/18!·(1/18 + 1/2H): 4e-17 of the fundamental from H = 8 on, half its rounding.
const (
	humOrder         = 18
	humPiecesPerWave = 3 // of the highest harmonic
	leastHumPieces   = 32
	humAtOnce        = 8 // samples that a kernel makes together
)

func newHum(m Mains, peak float64, random *rand.Rand) *hum {
	h := &hum{hz: m.Hz}
	if m.Hz == 0 || peak == 0 {
		return h
	}
	pieces := leastHumPieces
	for pieces < humPiecesPerWave*m.Harmonics {
		pieces *= 2
	}
	// The k-th derivative's Fourier coefficients are those of the hum times (jn)^k.
	coefficients, values := make([]complex128, pieces/2+1), make([]float64, pieces)
	for n := 1; n <= m.Harmonics; n++ {
		// Half: the transform adds the negative frequencies.
		coefficients[n] = cmplx.Rect(0.5*peak/float64(n), 2*math.Pi*random.Float64())
	}
	h.table = make([]humPiece, pieces)
	transform := fourier.NewFFT(pieces)
	spacing := 2 * math.Pi / float64(pieces)
	for k := range humOrder {
		transform.Sequence(values, coefficients)
		for i, v := range values {
			h.table[i][k] = v
		}
		for n := range coefficients {
			coefficients[n] *= complex(0, float64(n)*spacing/float64(k+1))
		}
	}
	return h
}

// set makes dst the hum of the samples from first on; what follows it in memory, up to
// humAtOnce samples, is overwritten.
func (h *hum) set(dst []float64, first int64, rate float64) {
	if h.table == nil {
		clear(dst)
		return
	}
	pieces, wrap := float64(len(h.table)), len(h.table)-1
	start, step := pieces*fraction(float64(first)*h.hz/rate), pieces*(h.hz/rate)
	n, samples := len(dst), 1/step
	dst = dst[:n+humAtOnce-1]
	for i := 0; i < n; {
		at := start + float64(i)*step
		nearest := math.Floor(at + 0.5)
		// Samples nearest to this phase, and more: those of the next overwrite them.
		left := min(n-i, max(1, int(math.Ceil((nearest+0.5-at)*samples))))
		made := (left + humAtOnce - 1) &^ (humAtOnce - 1)
		kernel.Polynomial(dst[i:i+made], h.table[int(nearest)&wrap][:], at-nearest, step)
		i += left
	}
}

// fraction returns x less the whole number below it.
func fraction(x float64) float64 { return x - math.Floor(x) }
